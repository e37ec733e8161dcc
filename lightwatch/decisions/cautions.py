"""The usual cautions: said wherever a verdict leads to work on a pole, cable or road.

General ones, common practice, no source; local codes, the utility's procedures and
licensed practice come first.
"""

CAUTIONS = (
    "Treat every conductor, pole, lid and frame as live until tested; test the tester "
    "before and after.",
    "Test a pole or lid for contact voltage before touching it, most of all when wet.",
    "A likely cause never replaces a test; a verdict is never proof that anything is "
    "dead.",
    "Follow your utility's rules, local codes and a qualified person's judgement.",
)
"""Said with every list of outages."""

_LIVE = (
    "A dark light may be on a live pole. Treat every conductor, pole, lid and frame as "
    "energised until isolated, locked and tagged, tested dead with a tester proved "
    "before and after, and grounded where required. A photocontrol or timer can switch "
    "it on at dusk; another source can feed back."
)
_CONTACT = (
    "Test pole, lid and fence for contact voltage before touching, most of all when "
    "wet or salted; keep people and animals away; do not leave a suspect pole or an "
    "open handhole unattended."
)
_LOADED = (
    "Test under load as well as open: a damaged cable or joint can show voltage "
    "unloaded. A lost neutral or ground puts voltage on metal: check continuity before "
    "closing up."
)
_FUSING = (
    "Do not close or fuse onto an unknown fault again and again. Fault-locating "
    "voltage and pulses: trained people only, both ends guarded."
)
_ROAD = (
    "Traffic control, work at height and in pairs by local rule. Anything tingling, "
    "buzzing, hot or smoking: keep clear, call in."
)

UNDERGROUND = (
    _LIVE,
    _CONTACT,
    "Handholes: lid weight and edges, water, insects, gas or poor air, traffic, "
    "damaged splices. No entry to enclosed spaces without the permit and tests.",
    "Dig only after a locate is asked for and marked, by hand near marks; the drawn "
    "route is not a locate, and private lighting cables are often not marked.",
    _LOADED,
    _FUSING,
    _ROAD,
)
"""Before work on a buried feed."""

OVERHEAD = (
    _LIVE,
    _CONTACT,
    "Overhead lines: keep the approach distances of your qualification.",
    _LOADED,
    _FUSING,
    _ROAD,
)
"""Before work on an overhead feed."""

UNKNOWN_FEED = (*UNDERGROUND[:4], OVERHEAD[2], *UNDERGROUND[4:])
"""Where it is not on record what feeds the light."""

READING = (
    "Before opening anything: treat it as energised until proved dead.",
    "Prove the tester on a known live source before and after each test.",
    "Dead under test is not safe to work on: isolate, lock and tag, test again.",
    "Only as your training, your utility's procedures and local codes allow.",
)
"""Beside a test of voltage."""


def before_work(underground: bool | None) -> tuple[str, ...]:
    """Return the cautions for work on a feed of this kind; None: not on record."""
    if underground is None:
        return UNKNOWN_FEED
    return UNDERGROUND if underground else OVERHEAD
