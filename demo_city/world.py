"""The city as it stands while things fail in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_city.catalogue import Catalogue
from demo_city.days import YEAR_DAYS, Calendar, Flags, Floats, Ints
from demo_city.feeds import CIRCUIT, Feeds
from demo_city.fitting import LED, LED_KINDS, Fleet
from demo_city.noticing import Watch
from demo_city.parameters import Parameters
from demo_city.weather import Climate


@dataclass(frozen=True)
class World:
    """All that stays as it is while things fail."""

    parameters: Parameters
    calendar: Calendar
    feeds: Feeds
    fleet: Fleet
    catalogue: Catalogue
    climate: Climate
    station: Ints
    watch: Watch

    def station_of(self, level: int, holder: Ints) -> Ints:
        """Return the weather station of lights, circuits or sections."""
        if level == CIRCUIT:
            return self.station[self.feeds.starts[CIRCUIT][holder]]
        return self.station[holder]


def is_led(world: World, light: Ints, at: Floats) -> Flags:
    """Return whether lights were LED at given times."""
    fleet = world.fleet
    led = fleet.technology[light] == LED
    return np.asarray(led | (fleet.converted_at[light] <= at))


def fitted_to(
    world: World, kind: str, light: Ints, at: Floats, rng: np.random.Generator
) -> Ints:
    """Draw the models of a kind that fit lights at given times."""
    fleet, catalogue = world.fleet, world.catalogue
    if kind == "photocontrol":
        return catalogue.photocontrols(at / YEAR_DAYS, rng)
    if kind == "fuse":
        return catalogue.choose("fuse", "any", light.size, rng)
    if kind in LED_KINDS:
        return catalogue.choose(kind, "led", light.size, rng)
    model = np.full(light.size, -1)
    for tech, name in enumerate(("hps", "mh")):
        here = np.flatnonzero(fleet.technology[light] == tech)
        model[here] = catalogue.choose(kind, name, here.size, rng)
    return model
