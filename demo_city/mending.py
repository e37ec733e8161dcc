"""The repair log: what crews wrote down of troubles, programmes and false reports."""

from __future__ import annotations

import numpy as np
import pandas as pd

from demo_city.days import Floats, Ints, Texts
from demo_city.failing import WRONG_PARTS, World
from demo_city.feeds import CIRCUIT, LIGHT, SECTION
from demo_city.fitting import Cuts
from demo_city.parameters import SYMPTOMS

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
CREWS = np.array(["North 1", "North 2", "South 1", "South 2"], dtype=object)
NOTES = np.array(
    [
        "wet inside, seal gone",
        "corroded receptacle",
        'tag reads "P4", register differs',
        "accès difficile, échelle needed",
        "=SUM(A1:A9)",
        "<script>document.title='x'</script>",
        "+44 left message with owner",
        "wasps’ nest; came back",
        "neutral loose, remade, tested",
    ],
    dtype=object,
)


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
    return np.array(SYMPTOMS, dtype=object)[troubles["symptom"].to_numpy()]


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


def wrong_first(world: World, troubles: pd.DataFrame, cuts: dict[str, Cuts]) -> pd.DataFrame:
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
        fitted = pd.Series(cut.model, index=pd.MultiIndex.from_arrays([cut.light, cut.on]))
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
                proven="wrong",
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


def _permanent(
    world: World, rows: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Put some buried cables on temporary feeds; return their permanent repairs."""
    buried = (rows["cause"] == "cable_fault") & (rows["action"] == "repaired")
    buried &= rng.random(len(rows)) < world.parameters.temporary_feed_share
    temporary = np.flatnonzero(buried)
    limit = rows["performed"] + rng.integers(21, 90, len(rows))
    rows.loc[buried, "temporary_until"] = limit[buried]
    rows.loc[buried, "follow_up"] = "dig"
    rows.loc[buried, "notes"] = "temporary feed, tagged"
    later = rows.iloc[temporary].reset_index(drop=True)
    early = rng.uniform(-12, 6, temporary.size)
    later["performed"] = world.calendar.working(
        later["temporary_until"].to_numpy() + early, rng
    )
    return later.assign(
        cause="programme",
        found="lit",
        temporary_until=np.nan,
        follow_up="",
        trouble=-1,
        notes="permanent repair, temporary feed taken away",
    )


def _answers(rows: pd.DataFrame, told: pd.DataFrame, size: int) -> Ints:
    """Return the report that each repair answers: of its trouble, the first before it.

    The repair that follows a wrong first one answers the report made after that.
    """
    first, again = np.full(size + 1, -1), np.full(size + 1, -1)
    backwards = told[told["trouble"] >= 0].iloc[::-1]
    late = backwards["again"].to_numpy(dtype=bool)
    trouble, place = backwards["trouble"].to_numpy(), backwards.index.to_numpy()
    first[trouble[~late]] = place[~late]
    again[trouble[late]] = place[late]
    which = rows["trouble"].to_numpy()
    second = (again[which] >= 0) & ~rows["misdiagnosed"].to_numpy(dtype=bool)
    found = np.where(second, again[which], first[which])
    at = told["at"].to_numpy()
    early = (found >= 0) & (at[found] < rows["performed"].to_numpy())
    return np.where(early, found, rows["report"].to_numpy())


def _details(world: World, rows: pd.DataFrame, rng: np.random.Generator) -> None:
    """Fill in what crews measure, prove, read off parts and remark."""
    size = len(rows)
    mended_ = rows["action"].isin(["replaced", "repaired", "reset"]).to_numpy()
    planned = (rows["cause"] == "programme").to_numpy()
    wrong = rows["misdiagnosed"].to_numpy(dtype=bool)
    proofs = np.array(["cover_test", "seen_lit", "not_proven", ""], dtype=object)
    proven = rng.choice(proofs, size, p=[0.55, 0.14, 0.13, 0.18])
    unproven = rng.choice(proofs[2:], size)
    proven = np.where(wrong, unproven, proven)
    rows["proven"] = np.where(mended_ & (~planned | (proven == "cover_test")), proven, "")
    night = mended_ & ~planned & (rows["proven"] == "not_proven").to_numpy()
    night &= (rows["follow_up"] == "").to_numpy() & (rng.random(size) < 0.4)
    rows.loc[night, "follow_up"] = "verify_at_night"
    volts = world.feeds.volts[rows["circuit"].to_numpy()]
    read = np.round(volts * rng.normal(1.0, 0.018, size), 1)
    dead = rows["cause"].isin(["cable_fault", "line_fault", "supply"]).to_numpy()
    read = np.where(dead, np.round(rng.exponential(4, size), 1), read)
    measured = (rng.random(size) < 0.35) & ~planned
    rows["volts"] = np.where(measured, read, np.nan)
    crew = CREWS[rng.integers(0, 4, size)]
    deep = rows["component"].isin(["cable"]).to_numpy()
    crew = np.where(deep, "Underground", crew)
    rows["crew"] = np.where(rows["crew"] == "", crew, rows["crew"])
    rows["removed"] = np.where(rng.random(size) < 0.5, rows["removed"], -1)
    rows["birth"] = np.where(rng.random(size) < 0.45, rows["birth"], np.nan)
    noted = (rng.random(size) < 0.03) & (rows["notes"] == "").to_numpy()
    rows.loc[noted, "notes"] = rng.choice(NOTES, int(noted.sum()))


def _corrections(
    world: World, rows: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Spoil a few records and return the later records that put them right."""
    spoilt = rng.random(len(rows)) < world.parameters.corrected_share
    spoilt &= rows["action"].isin(["replaced"]).to_numpy()
    spoilt &= (rows["light"] > 0).to_numpy()
    place = np.flatnonzero(spoilt)
    right = rows.iloc[place].copy()
    right["supersedes"] = place
    right["recorded"] = right["recorded"] + rng.uniform(0.5, 18, place.size)
    right["notes"] = "corrects an earlier record"
    wrong_light = rng.random(place.size) < 0.5
    light = rows["light"].to_numpy().copy()
    aside = light[place] - 1
    same = world.feeds.circuit[aside] == rows["circuit"].to_numpy()[place]
    moved = place[wrong_light & same]
    light[moved] -= 1
    rows["light"] = light
    volts = rows["volts"].to_numpy().copy()
    volts[np.setdiff1d(place, moved)] = 23.0
    rows["volts"] = volts
    return right


def repair_log(
    world: World,
    parts: list[pd.DataFrame],
    told: pd.DataFrame,
    troubles: pd.DataFrame,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Join all rows into the log as it stood at the export, in order of the work.

    Returns
    -------
    pandas.DataFrame
        With the columns of :data:`COLUMNS`; ids and times still numbers.
    """
    rows = pd.concat(parts, ignore_index=True)
    later = _permanent(world, rows, rng)
    rows = pd.concat([rows, later], ignore_index=True)
    rows = rows[rows["performed"] < world.calendar.end].reset_index(drop=True)
    rows["report"] = _answers(rows, told, len(troubles))
    late = np.minimum(rng.exponential(0.7, len(rows)), 3.0)
    rows["recorded"] = rows["performed"] + 0.01 + late
    _details(world, rows, rng)
    right = _corrections(world, rows, rng)
    rows["place"] = np.arange(len(rows))
    rows = pd.concat([rows, right.assign(place=-1)], ignore_index=True)
    rows = rows[rows["recorded"] < world.calendar.end]
    rows = rows.sort_values(["performed", "recorded"], kind="stable", ignore_index=True)
    first = np.full(int(rows["place"].max()) + 2, -1)
    old = rows["place"].to_numpy()
    first[old[old >= 0]] = np.flatnonzero(old >= 0)
    which = rows["supersedes"].to_numpy()
    rows["supersedes"] = np.where(which >= 0, first[which], -1)
    return rows.drop(columns="place")


