"""What crews wrote down of troubles, programmes and false reports, row by row."""

from __future__ import annotations

import numpy as np
import pandas as pd

from demo_city.days import Floats, Ints, Texts
from demo_city.feeds import CIRCUIT, LIGHT, SECTION
from demo_city.fitting import Cuts
from demo_city.parameters import SYMPTOMS
from demo_city.visits import WRONG_PARTS
from demo_city.world import World

COLUMNS: dict[str, object] = {
    "performed": np.nan,
    "recorded": np.nan,
    "crew": "",
    "report": -1,
    "light": -1,
    "circuit": -1,
    "section": -1,
    "cause": "",
    "action": "",
    "component": "",
    "fitted": -1,
    "fitted_too": -1,
    "removed": -1,
    "birth": np.nan,
    "found": "",
    "volts": np.nan,
    "proven": "",
    "made_safe": "",
    "temporary_until": np.nan,
    "follow_up": "",
    "supersedes": -1,
    "notes": "",
    "trouble": -1,
    "misdiagnosed": False,
}


def _row(size: int, **given: object) -> pd.DataFrame:
    """Return repair rows of which only some columns are given."""
    return pd.DataFrame(
        {name: given.get(name, plain) for name, plain in COLUMNS.items()},
        index=pd.RangeIndex(size),
    )


def _where(world: World, troubles: pd.DataFrame) -> dict[str, Ints]:
    level, holder = troubles["level"].to_numpy(), troubles["holder"].to_numpy()
    light = np.where(level == LIGHT, holder, -1)
    section = np.where(level == SECTION, holder, -1)
    at_light = world.feeds.circuit[np.where(level == CIRCUIT, 0, holder)]
    circuit = np.where(level == CIRCUIT, holder, at_light)
    return {"light": light, "circuit": circuit, "section": section}


def _symptoms(troubles: pd.DataFrame) -> Texts:
    names = np.array(SYMPTOMS, dtype=object)
    return np.asarray(names[troubles["symptom"].to_numpy()])


def mended(world: World, troubles: pd.DataFrame) -> pd.DataFrame:
    """Write the repairs that ended troubles of components and feeds."""
    done = troubles[troubles["mended"] & ~troubles["kind"].isin(DAMAGE)]
    kind = done["kind"].to_numpy(dtype=object)
    parts = ~np.isin(kind, ("wiring", "cable", "line", "supply", "theft"))
    component = np.where(kind == "theft", "cable", kind)
    component = np.where(kind == "supply", "", component)
    action = np.where(parts, "replaced", "repaired")
    action = np.where((kind == "supply") & (done["holder"] % 3 == 0), "reset", action)
    return _row(
        len(done),
        performed=done["repaired_at"].to_numpy(),
        cause=done["cause"].to_numpy(dtype=object),
        action=action,
        component=component,
        fitted=np.where(parts, done["fitted"], -1),
        removed=np.where(parts, done["model"], -1),
        birth=np.where(parts, done["birth"], np.nan),
        found=_symptoms(done),
        trouble=done.index.to_numpy(),
        **_where(world, done),
    )


DAMAGE = ("knockdown", "vandalism", "customer")


def wrong_first(
    world: World, troubles: pd.DataFrame, cuts: dict[str, Cuts]
) -> pd.DataFrame:
    """Write the first repairs that changed a part that had not failed.

    Parameters
    ----------
    world, troubles
        The city and its troubles.
    cuts
        By kind of trouble: the parts that its wrong first repairs fitted.
    """
    rows = []
    for kind, cut in cuts.items():
        tried = troubles[troubles["wrong_done"] & (troubles["kind"] == kind)]
        fitted = pd.Series(
            cut.model, index=pd.MultiIndex.from_arrays([cut.light, cut.on])
        )
        key = pd.MultiIndex.from_arrays([tried["holder"], tried["wrong_at"]])
        part = WRONG_PARTS[kind]
        rows.append(
            _row(
                len(tried),
                performed=tried["wrong_at"].to_numpy(),
                light=tried["holder"].to_numpy(),
                circuit=world.feeds.circuit[tried["holder"].to_numpy()],
                cause=part,
                action="replaced",
                component=part,
                fitted=fitted.reindex(key).to_numpy() if len(tried) else -1,
                found=_symptoms(tried),
                trouble=tried.index.to_numpy(),
                misdiagnosed=True,
            )
        )
    return pd.concat(rows, ignore_index=True)


def damage_rows(
    world: World, troubles: pd.DataFrame, cuts: dict[str, Cuts], pole: int
) -> pd.DataFrame:
    """Write what was put back after knocks (the pole too) and vandals."""
    rows = []
    for cause in ("knockdown", "vandalism"):
        done = troubles[troubles["mended"] & (troubles["kind"] == cause)]
        index = pd.MultiIndex.from_arrays([done["holder"], done["repaired_at"]])
        row_of = pd.Series(done.index.to_numpy(), index=index)
        for kind, cut in cuts.items():
            if cause == "vandalism" and kind not in ("lamp", "led_module"):
                continue
            key = pd.MultiIndex.from_arrays([cut.light, cut.on])
            mine = key.isin(index)
            found = row_of.reindex(key[mine]).to_numpy()
            light, on, model = cut.light[mine], cut.on[mine], cut.model[mine]
            rows.append(_damage(world, cause, kind, light, on, model, found))
        if cause == "knockdown":
            light, on = done["holder"].to_numpy(), done["repaired_at"].to_numpy()
            model = np.full(len(done), pole)
            found = done.index.to_numpy()
            rows.append(_damage(world, cause, "pole", light, on, model, found))
    return pd.concat(rows, ignore_index=True)


def _damage(
    world: World,
    cause: str,
    kind: str,
    light: Ints,
    on: Floats,
    model: Ints,
    trouble: Ints,
) -> pd.DataFrame:
    return _row(
        light.size,
        performed=on,
        light=light,
        circuit=world.feeds.circuit[light],
        cause=cause,
        action="replaced",
        component=kind,
        fitted=model,
        found="knocked_down" if cause == "knockdown" else "out",
        trouble=trouble,
    )


def programmes(world: World, relit: Cuts) -> pd.DataFrame:
    """Write the LED conversions and the photocontrol programme."""
    fleet, circuit = world.fleet, world.feeds.circuit
    led = np.flatnonzero(np.isfinite(fleet.converted_at))
    converted = _row(
        led.size,
        performed=fleet.converted_at[led],
        crew="Contractor",
        light=led,
        circuit=circuit[led],
        cause="programme",
        action="converted",
        component="luminaire",
        fitted=fleet.driver[led],
        fitted_too=fleet.module[led],
    )
    changed = _row(
        relit.light.size,
        performed=relit.on,
        crew="Contractor",
        light=relit.light,
        circuit=circuit[relit.light],
        cause="programme",
        action="replaced",
        component="photocontrol",
        fitted=relit.model,
    )
    return pd.concat([converted, changed], ignore_index=True)


def visits_between(
    world: World, troubles: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Write visits that answered nothing: made safe, waiting for parts or others."""
    noticed, until = troubles["noticed_at"], troubles["ended_at"]
    kind, draw = troubles["kind"], rng.random(len(troubles))
    safe = kind.isin(["knockdown", "theft"]) | (
        kind.isin(["vandalism", "wiring"]) & (draw < 0.25)
    )
    dig = (kind == "cable") & (draw < 0.45)
    tree = (kind == "line") & (draw < 0.30)
    ours = kind.isin(["driver", "led_module", "ballast"])
    parts = ours & (draw < 0.06)
    other = (kind == "supply") & (draw < 0.6)
    theirs = (kind == "customer") & (draw < 0.9)
    wanted = safe | dig | tree | parts | other | theirs
    follow = np.select(
        [kind == "knockdown", dig, tree, parts, other, theirs],
        ["pole", "dig", "tree", "parts", "other_utility", "customer"],
        default="parts",
    ).astype(object)
    quick = (noticed + rng.uniform(0.05, 0.12, len(troubles))).to_numpy()
    calm = world.calendar.working(noticed.to_numpy() + 1.0, rng)
    at = np.where(safe, quick, calm)
    rows = np.flatnonzero(wanted & (at < until))
    some = troubles.iloc[rows]
    made_safe = safe.to_numpy()[rows]
    return _row(
        rows.size,
        performed=at[rows],
        cause=some["cause"].to_numpy(dtype=object),
        action=np.where(made_safe, "made_safe", "follow_up").astype(object),
        found=_symptoms(some),
        made_safe=np.where(made_safe, "yes", "no").astype(object),
        follow_up=follow[rows],
        trouble=some.index.to_numpy(),
        **_where(world, some),
    )


def no_fault_found(
    world: World, told: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the visits to lights that turned out to be lit."""
    false = told[told["trouble"] < 0]
    light = false["light"].to_numpy()
    wait = 1 + rng.gamma(2.0, world.parameters.visit_days / 2, light.size)
    return _row(
        light.size,
        performed=world.calendar.working(false["at"].to_numpy() + wait, rng),
        report=false.index.to_numpy(),
        light=light,
        circuit=world.feeds.circuit[light],
        cause="none",
        action="no_fault_found",
        found="lit",
    )
