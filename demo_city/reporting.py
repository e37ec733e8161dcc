"""Reports as callers give them: the right light, its neighbour, or just a place."""

from __future__ import annotations

import numpy as np
import pandas as pd

from demo_city.days import YEAR_DAYS, Flags, Floats, Ints, Texts
from demo_city.noticing import GROUP_OUT, KNOCKED_DOWN, OUT
from demo_city.parameters import SYMPTOMS
from demo_city.world import World

CHANNELS = np.array(["phone", "web", "e-mail", "staff"], dtype=object)
DANGERS = np.array(
    ["exposed_wires", "shock", "door_open", "hanging", "leaning", "down", "smoke"],
    dtype=object,
)
KNOCK_DANGERS = np.array(["leaning", "down", "hanging", "exposed_wires"], dtype=object)
NOTES = np.array(
    [
        "corner by the café, third from the crossing",
        'caller says "off again"',
        "=1+1",
        "<script>alert('dark')</script>",
        "opposite n° 12, Señora at the gate",
        "very dark, children walk here",
        "since the storm; whole row?",
        "@night it flickers",
    ],
    dtype=object,
)


def all_reports(
    world: World, troubles: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw every report of every trouble, and those of lights with no trouble.

    Returns
    -------
    pandas.DataFrame
        ``at`` [days], ``trouble`` (-1: false), ``again``, ``light`` (the true one),
        ``symptom``; in order of time.
    """
    first = _rows(troubles, troubles["reported_at"].to_numpy())
    again = _rows(troubles, troubles["again_at"].to_numpy()).assign(again=True)
    more = _further(world, troubles, rng)
    told = pd.concat([first, again, more], ignore_index=True)
    live = (told["at"] < told["ended"]) & (told["at"] < world.calendar.end)
    told = told[live].reset_index(drop=True)
    level, holder = told["level"].to_numpy(), told["holder"].to_numpy()
    told["light"] = world.feeds.any_dark(level, holder, rng)
    crowd = world.feeds.dark_count(level, holder) >= 4
    many = crowd & (told["symptom"] == OUT) & (rng.random(len(told)) < 0.35)
    told.loc[many, "symptom"] = GROUP_OUT
    told = pd.concat([told, _false(world, troubles, rng)], ignore_index=True)
    told = told.sort_values(["at", "light"], kind="stable", ignore_index=True)
    return told[["at", "trouble", "again", "light", "symptom", "kind"]]


def _rows(troubles: pd.DataFrame, at: Floats) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "at": at,
            "trouble": np.arange(len(troubles)),
            "again": False,
            "level": troubles["level"].to_numpy(),
            "holder": troubles["holder"].to_numpy(),
            "symptom": troubles["symptom"].to_numpy(),
            "ended": troubles["ended_at"].to_numpy(),
            "kind": troubles["kind"].to_numpy(),
        }
    )


def _further(
    world: World, troubles: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw further reports while a trouble that is known goes on."""
    begin = troubles["reported_at"].to_numpy()
    until = np.minimum(troubles["ended_at"].to_numpy(), world.calendar.end)
    level, holder = troubles["level"].to_numpy(), troubles["holder"].to_numpy()
    many = np.minimum(world.feeds.dark_count(level, holder), 12)
    pace = world.watch.per_night[troubles["symptom"].to_numpy()] * many
    count = rng.poisson(0.7 * pace * np.clip(until - begin, 0, 30))
    staged = troubles["staged"].to_numpy()
    count = np.where(staged, np.maximum(count, 5), np.minimum(count, 9))
    rows = np.repeat(np.arange(len(troubles)), count)
    span = until[rows] - begin[rows]
    at = begin[rows] + rng.random(rows.size) * span * np.where(staged[rows], 0.7, 1)
    found = _rows(troubles, begin).iloc[rows].reset_index(drop=True)
    found["at"] = world.calendar.evening(at, rng) if rows.size else at
    return found


def _false(
    world: World, troubles: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw reports of lights that are in no trouble of their own or of their feed."""
    end, fleet = world.calendar.end, world.fleet
    rate = world.parameters.false_reports_per_year * fleet.ours
    count = rng.poisson(rate * end / YEAR_DAYS)
    light = np.repeat(np.arange(count.size), count)
    at = world.calendar.evening(rng.uniform(0, end - 2, light.size), rng)
    there = (at > fleet.start[light] + 1) & (at < fleet.stop[light] - 1)
    there &= ~in_trouble(world, troubles, light, at)
    light, at = light[there], at[there]
    return pd.DataFrame(
        {
            "at": at,
            "trouble": -1,
            "again": False,
            "light": light,
            "symptom": np.where(rng.random(light.size) < 0.85, OUT, len(SYMPTOMS) - 1),
            "kind": "none",
        }
    )


def in_trouble(world: World, troubles: pd.DataFrame, light: Ints, at: Floats) -> Flags:
    """Return whether lights were in trouble at given times [days]."""
    level, holder = troubles["level"].to_numpy(), troubles["holder"].to_numpy()
    place, dark = world.feeds.dark(level, holder)
    begin = troubles["failed_at"].to_numpy()[place]
    until = troubles["ended_at"].to_numpy()[place]
    span = 1e5
    key = dark * span + begin
    order = np.argsort(key)
    key, until, dark = key[order], until[order], dark[order]
    found = np.zeros(light.size, dtype=bool)
    last = np.searchsorted(key, light * span + at) - 1
    for back in range(3):
        which = np.maximum(last - back, 0)
        here = (last - back >= 0) & (dark[which] == light)
        found |= here & (until[which] > at)
    return found


def _dangers(told: pd.DataFrame, rng: np.random.Generator) -> Texts:
    """Draw what makes a report dangerous: most knocks, some breakage, rarely else."""
    danger = np.full(len(told), "", dtype=object)
    knocked = (told["symptom"] == KNOCKED_DOWN).to_numpy()
    risky = knocked & (rng.random(danger.size) < 0.7)
    danger[risky] = rng.choice(KNOCK_DANGERS, int(risky.sum()))
    broken = told["kind"].isin(["vandalism", "theft", "wiring"]).to_numpy()
    odd = (broken & (rng.random(danger.size) < 0.3)) | (rng.random(danger.size) < 0.002)
    odd &= ~knocked
    danger[odd] = rng.choice(DANGERS, int(odd.sum()))
    return danger


def written_reports(
    world: World,
    told: pd.DataFrame,
    where: tuple[Floats, Floats],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Write reports as callers give them, ids and degrees still numbers.

    Some callers name a neighbour, some no light at all: of dark lights, whoever calls;
    of the rest only the first caller, whose report the repair will name. (A night
    patrol that sees a light lit settles only a report that it was dark.)

    Parameters
    ----------
    world
        The city.
    told
        From :func:`all_reports`.
    where
        Positions of the lights, east and north [m].
    rng
        Random numbers.
    """
    parameters, size = world.parameters, len(told)
    light = told["light"].to_numpy()
    said = light.copy()
    aside = said + rng.choice([-1, 1], size)
    aside = np.clip(aside, 0, world.feeds.circuit.size - 1)
    near = world.feeds.circuit[aside] == world.feeds.circuit[light]
    draw = rng.random(size)
    vague = told["symptom"].isin([OUT, GROUP_OUT]) | ~told.duplicated(
        ["trouble", "again"]
    )
    wrong = (draw < parameters.neighbour_share) & near & vague
    said[wrong] = aside[wrong]
    silent = (draw > 1 - parameters.no_id_share) & vague
    said[silent] = -1
    placed = silent | (rng.random(size) < 0.8)
    x = where[0][light] + rng.normal(0, 9, size)
    y = where[1][light] + rng.normal(0, 9, size)
    notes = np.full(size, "", dtype=object)
    noted = rng.random(size) < 0.04
    notes[noted] = rng.choice(NOTES, int(noted.sum()))
    return pd.DataFrame(
        {
            "at": told["at"],
            "light": said,
            "x": np.where(placed, x, np.nan),
            "y": np.where(placed, y, np.nan),
            "symptom": np.array(SYMPTOMS, dtype=object)[told["symptom"].to_numpy()],
            "channel": rng.choice(CHANNELS, size, p=[0.34, 0.38, 0.1, 0.18]),
            "danger": _dangers(told, rng),
            "notes": notes,
        }
    )
