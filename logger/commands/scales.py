"""`tallydeck scales`: what check weights said of the scales."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from logger.commands.shared import DATA, ConfigOption, Here, JsonOption, ask, err, fail, here, out, print_json
from logger.commands.show import table
from logger.core.units import kg_to


def scales(
    scale: Annotated[
        str | None, typer.Argument(help="All checks of this one; else the last of each.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the scales with their last check weight, its verdict and how they drift.

    A check is made with: tallydeck say check-weight SCALE MASS.
    """
    listed = ask(config, "scales")
    if scale is not None:
        listed = [each for each in listed if each["scale"] == scale] or _unknown(scale, listed)
    if as_json:
        print_json(listed)
        return
    bay = here(config)
    if scale is None:
        rows = [_row(each, each["checks"][0] if each["checks"] else None, bay) for each in listed]
    else:
        rows = [_row(listed[0], check, bay) for check in listed[0]["checks"]]
    columns = {"scale": "scale", "class": "class", "time": f"checked ({bay.zone_name})"}
    columns |= {"nominal": f"weight ({bay.unit})", "shown": "shown", "error": "off by", "limit": "allowed"}
    table("checks", rows, columns | {"verdict": "verdict"})
    for each in listed:
        if each["drift"] is not None:
            out.print(f"{each['scale']}: {each['drift']['says']}", markup=False)
        for warning in each["warnings"]:
            err.print(f"{each['scale']}: {warning}", markup=False)


def _unknown(scale: str, listed: list[dict[str, Any]]) -> list[dict[str, Any]]:
    known = ", ".join(each["scale"] for each in listed) or "none"
    fail(DATA, f'there is no scale "{scale}"; there is {known}')


def _row(scale: dict[str, Any], check: dict[str, Any] | None, bay: Here) -> dict[str, Any]:
    row = {"scale": scale["scale"], "class": scale["class"] or ""}
    if check is None:
        return row | {"verdict": "never checked"}
    masses = {
        "nominal": bay.mass(check["nominal_kg"], 4),
        "shown": bay.mass(check["shown_kg"], 4),
        "error": f"{kg_to(check['error_kg'], bay.unit):+.4f}",
        "limit": "" if check["limit_kg"] is None else bay.mass(check["limit_kg"], 4),
    }
    return row | {"time": bay.clock(check["time"]), **masses, "verdict": check["verdict"]}
