"""A type with too few failures to fit is bounded by the shape of its kind."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd

from lightwatch.rates.life_models import LeftOut, _bounded

FEW = LeftOut("driver", "new", 100, 0, "0 failures are too few")


def watched(years: float, parts: int) -> pd.DataFrame:
    """Return parts watched from new, none of which failed."""
    return pd.DataFrame(
        {"kind": "driver", "entry_age": 0.0, "low_age": years, "high_age": years,
         "failed": False, "share": 1.0, "weight": 1.0},
        index=range(parts),
    )  # fmt: skip


def fitted(kind: str, shape: float) -> SimpleNamespace:
    return SimpleNamespace(kind=kind, weibull=SimpleNamespace(shape=shape))


def test_a_type_without_failures_has_a_bound_by_the_shape_of_its_kind() -> None:
    """100 parts, 4 years, none failed: scale^2 >= 1600 / 2.996, a tenth at .105."""
    fits = [fitted("driver", 2.0), fitted("fuse", 9.0)]
    found = _bounded(FEW, watched(4.0, 100), fits)  # type: ignore[arg-type]

    least = np.sqrt(1600 / -np.log(0.05)) * np.sqrt(-np.log(0.9))
    assert f"after {least:.1f} years at the earliest (95 %)" in found.reason
    assert "(shape 2.00, assumed)" in found.reason
    assert found.reason.startswith(FEW.reason)


def test_without_another_type_of_its_kind_nothing_is_assumed() -> None:
    fits = [fitted("fuse", 9.0)]
    assert _bounded(FEW, watched(4.0, 100), fits) == FEW  # type: ignore[arg-type]
    own = [fitted("driver", 2.0)]
    assert _bounded(FEW, watched(4.0, 0), own) == FEW  # type: ignore[arg-type]
