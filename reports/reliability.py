"""What was said of closed jobs against what came: the reliability diagram."""

from __future__ import annotations

from lightwatch.decisions.triage.calibration import Calibration, ClosedJobs
from reports.charts import Chart

_TICKS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)


def reliability_text(jobs: ClosedJobs, meant: Calibration) -> str:
    """Return the diagram as a table, and whether verdicts are corrected by it."""
    lines = [
        f"Closed jobs: {len(jobs.said)}; a fault that several lights shared was found "
        f"in {int(jobs.came.sum())}.",
        f"{'said':>8}{'came':>8}{'jobs':>7}",
        *(
            f"{row.said:8.2f}{row.came:8.2f}{row.cases:7.0f}"
            for row in jobs.bins().itertuples()
        ),
        f"Expected calibration error {jobs.error:.3f}, Brier score {jobs.brier:.3f}.",
        meant.reason[:1].upper() + meant.reason[1:] + ".",
    ]
    return "\n".join(lines)


def reliability_svg(jobs: ClosedJobs, meant: Calibration) -> str:
    """Return the reliability diagram; the dashed line is where it should lie."""
    chart = Chart(
        "What was said of closed jobs, and what came",
        f"Past days judged again from what was known then: {len(jobs.said)} closed "
        "jobs, each point a tenth of the scale with its number of jobs. "
        f"{meant.reason}.",
        "probability of a fault that several lights share, as said",
        "share in which crews found one",
        1.0,
        1.0,
    )
    chart.line((0, 1), (0, 1), 'stroke="#000" stroke-dasharray="6 5"')
    bins = jobs.bins()
    chart.line(bins["said"], bins["came"], 'stroke="#000" stroke-width="2"')
    for row in bins.itertuples():
        x, y = chart.x(float(row.said)), chart.y(float(row.came))
        chart.marks.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
        chart.text(x + 8, y - 6, f"{row.cases:.0f}")
    return chart.svg([(tick, f"{tick:g}") for tick in _TICKS], _TICKS)
