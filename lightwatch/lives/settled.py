"""Until when an unfailed life is known to have been unfailed.

A part that was taken off in a programme, or still hangs at the export, is not known to
have worked to that day: it may have failed and nobody had noticed, or somebody had and
no crew had come. Such failures never enter the records, while the time until that day
would count as survived; lives that end so, as most lamps do where lamps are converted,
then look longer than they are.

So judgement stops a while before: when nearly all that had been noticed has been
mended. Failures noticed later count as lives still unfailed then. And what was not
noticed by then is taken to have survived only to one mean delay before: the chance not
to have been noticed by an age is the survival to that age plus the failures still
unseen, and to first order in the delay that is the survival to the age less the mean
delay. What ended in trouble of another part's making keeps its end: its removal hangs
together with its past, and a stop before it would take real failures away.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lightwatch.detection import Detection, episodes
from lightwatch.detection.episodes import of_faults
from lightwatch.lives.lives import Lives
from lightwatch.nights import DAY
from lightwatch.words import SUPPLY

NEARLY_ALL = 0.95
"""Share of noticed troubles that have been mended when judgement stops."""

MOST_DAYS = 180.0
"""A register in which repairs take longer is judged so long before the end anyhow."""

LEAST_TROUBLES = 20

PLANNED = ("programme", "knockdown", "vandalism", "theft", "customer")
"""Causes of removal that have nothing to do with a component's own state."""

_HOLDER = ["light_id", "circuit_id", "section_id", "kind"]


def settling_days(lives: Lives) -> float:
    """Return within how many days of notice nearly all troubles were mended."""
    frame = of_faults(episodes(lives.register))
    waited = (frame["mended"] - frame["noticed"])[frame["told"]]
    if len(waited) < LEAST_TROUBLES:
        return 0.0
    return min(float(waited.quantile(NEARLY_ALL)), MOST_DAYS)


def _stops(lives: Lives) -> pd.Series[bool]:
    """Tell which lives ended, unfailed, for a reason outside the component."""
    frame, repairs = lives.frame, lives.register.known.repairs
    ended = repairs[["cause", "action"]].reindex(frame["end_repair"])
    planned = ended["cause"].isin(PLANNED) | (ended["action"] == "converted")
    outside = (frame["end_repair"] < 0) | planned.to_numpy(bool)
    return ~frame["failed"] & outside & ~frame["kind"].isin(list(SUPPLY))


def _numbered(frame: pd.DataFrame, columns: Sequence[str]) -> NDArray[np.int64]:
    """Return one number for each combination of words."""
    number = np.zeros(len(frame), dtype=np.int64)
    for name in columns:
        code, words = pd.factorize(frame[name])
        number = pd.factorize(number * (len(words) + 1) + code)[0]
    return number


def _places(frame: pd.DataFrame) -> NDArray[np.int64]:
    """Return one number for the lives that followed each other in one place.

    A light may have several parts of a kind: one that began before the last had ended
    hung beside it.
    """
    holder = _numbered(frame, _HOLDER)
    order = np.argsort(holder, kind="stable")
    start, end = (frame[name].to_numpy(float)[order] for name in ("start", "end"))
    first = np.diff(holder[order], prepend=-1) != 0
    place = np.empty(len(frame), dtype=np.int64)
    place[order] = np.cumsum(first | (start < np.roll(end, 1)))
    return place


def _mean_delays_days(
    lives: Lives, found: pd.DataFrame, detection: Detection
) -> pd.Series[float]:
    """Return for each life how long failures of its kind and type go unnoticed."""
    frame = lives.frame
    shown = frame["failed"] & (found["symptom"] != "")
    light, symptom = frame.loc[shown, "light_id"], found.loc[shown, "symptom"]
    own = 1.0 / detection.noticed_per_day_at(light, symptom)
    delay = pd.Series(own, light.index).reindex(frame.index)
    by_type = delay.groupby(_numbered(frame, ["kind", "type"])).transform("mean")
    by_kind = delay.groupby(_numbered(frame, ["kind"])).transform("mean")
    return by_type.fillna(by_kind).fillna(detection.mean_delay_days("out"))


def settled(lives: Lives, found: pd.DataFrame, detection: Detection) -> pd.DataFrame:
    """Return lives as far as they are known, with the intervals of their failures.

    Parameters
    ----------
    lives
        Life data.
    found
        When each failed life must have failed, by
        :func:`lightwatch.lives.intervals.intervals`.
    detection
        How soon trouble is noticed.

    Returns
    -------
    pandas.DataFrame
        The columns of both, by the same index, and ``counted``, whether a life ended
        by failure at all. Where ``stopped``, a life was unfailed at ``high``, and not
        seen to have failed at ``end``; where these are before its start, nothing is
        known of it.
    """
    frame = lives.frame.join(found)
    wait = settling_days(lives) * DAY
    stop = (frame["end"] - wait).where(_stops(lives))
    following = stop.groupby(_places(frame), sort=False).bfill()
    early = frame["failed"] & (frame["high"] > following)
    stopped = stop.notna() | early
    end = frame["end"].where(~stopped, following)
    delay = _mean_delays_days(lives, found, detection) * DAY
    sure = np.minimum(frame["high"], end - delay).where(stopped, frame["high"])
    return frame.assign(
        counted=frame["failed"],
        failed=frame["failed"] & ~early,
        stopped=stopped,
        end=end,
        high=sure,
        low=frame["low"].where(~stopped, sure),
        earliest=frame["earliest"].where(~stopped, sure),
    )
