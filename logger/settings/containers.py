"""The checks of a container: its masses must stand in an order that the scale can tell apart."""

from __future__ import annotations

from dataclasses import dataclass

from logger.core.description import Bay, ContainerKind, Outlet
from logger.settings.document import Document
from logger.settings.problems import Path, say_mass
from logger.settings.validate import Faults


@dataclass(frozen=True, slots=True)
class _Checked:
    """One outlet's container, and how to tell what is wrong with it."""

    station: str
    outlet: Outlet
    document: Document
    faults: Faults

    def at(self, key: str) -> Path:
        """Where a value of the container comes from: the outlet's own table, or the station's."""
        station = self.document.stations[self.station]
        own = station.outlets[self.outlet.name].container
        if own is not None and getattr(own, key) is not None:
            return ("stations", self.station, "outlets", self.outlet.name, "container", key)
        return ("stations", self.station, "container", key)

    def refuse(self, key: str, what: str, allowed: str, remedy: str, *needs: Path) -> None:
        found = f"{self.faults.written(self.at(key))}, {what}"
        self.faults.add(self.at(key), found, allowed, remedy, *needs)


def check_container(station: str, outlet: Outlet, document: Document, bay: Bay, faults: Faults) -> None:
    """resolution < tare < full <= capacity, the usual tare within its range, brim-full solids that sink."""
    checked = _Checked(station, outlet, document, faults)
    _tare(checked)
    _against_scale(checked, bay)
    box, density = outlet.container, outlet.solids_density
    if box.kind is ContainerKind.BRIM_FULL and density is not None and density <= 1.0:
        checked.refuse(
            "kind",
            f"with solids of {density:g} g/cm3, which do not sink",
            "a density above 1 g/cm3 where the container stands full of water",
            "check the density, or the container's kind",
        )


def _tare(checked: _Checked) -> None:
    box = checked.outlet.container
    low, high = box.tare_low_kg, box.tare_high_kg
    if box.tare_kg is not None and low is not None and high is not None and not low <= box.tare_kg <= high:
        checked.refuse(
            "tare",
            f"outside the range {say_mass(low)} to {say_mass(high)}",
            "a usual tare within the range that tares vary in",
            "weigh a few empty containers, and mend the tare or the range",
            checked.at("tare_range"),
        )
    if box.full_kg is None:
        return
    if box.tare_kg is not None and box.tare_kg >= box.full_kg:
        checked.refuse(
            "tare",
            f"not below the full mass of {say_mass(box.full_kg)}",
            "a tare below the full mass",
            "full is what the scale shows, container and all; check both",
            checked.at("full"),
        )
    elif high is not None and high >= box.full_kg:
        checked.refuse(
            "tare_range",
            f"not below the full mass of {say_mass(box.full_kg)}",
            "tares below the full mass",
            "full is what the scale shows, container and all; check both",
            checked.at("full"),
            checked.at("tare"),
        )


def _against_scale(checked: _Checked, bay: Bay) -> None:
    box, name = checked.outlet.container, checked.outlet.channel
    scale = next((channel for channel in bay.channels if channel.name == name), None)
    if scale is None or scale.quantity != "mass":
        return
    own: Path = ("instruments", scale.name)
    if box.full_kg is not None and scale.capacity_kg is not None and box.full_kg > scale.capacity_kg:
        checked.refuse(
            "full",
            f"more than the scale can weigh, {say_mass(scale.capacity_kg)}",
            "a full mass up to the scale's capacity",
            "change the container earlier, or use a larger scale",
            (*own, "capacity"),
        )
    if box.tare_kg is not None and scale.resolution_kg >= box.tare_kg:
        checked.refuse(
            "tare",
            f"not above the scale's resolution of {say_mass(scale.resolution_kg)}",
            "a tare that the scale can see",
            "check the tare and the resolution; a container that light needs a finer scale",
            (*own, "resolution"),
            ("stations", checked.station, "resolution"),
        )
