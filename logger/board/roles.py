"""Who may do what: one table from route to the least role it takes. What is not in the table, nobody may."""

from __future__ import annotations

from enum import IntEnum

from starlette.applications import Starlette
from starlette.routing import Match, Route
from starlette.types import Scope


class Role(IntEnum):
    """What a caller may do; each may do all that the ones before it may."""

    ANYONE = 0  # nobody that is known: sees no figure of the bay
    GUEST = 1  # reads
    OPERATOR = 2  # acts


LEAST: dict[tuple[str, str], Role] = {
    # The pages' own files hold no figure; who is nobody is sent from a page to the log-in.
    ("GET", "/"): Role.ANYONE,
    ("GET", "/prepare"): Role.ANYONE,
    ("GET", "/weigh-up"): Role.ANYONE,
    ("GET", "/lots"): Role.ANYONE,
    ("GET", "/run"): Role.ANYONE,
    ("GET", "/instruments"): Role.ANYONE,
    ("GET", "/log-in"): Role.ANYONE,
    ("GET", "/static/{name}"): Role.ANYONE,
    ("POST", "/api/v1/log-in"): Role.ANYONE,
    ("POST", "/api/v1/log-out"): Role.ANYONE,
    ("GET", "/api/v1/me"): Role.ANYONE,
    # A supervisor of the service has no session; it learns whether the daemon is well, and no figure.
    ("GET", "/livez"): Role.ANYONE,
    ("GET", "/readyz"): Role.ANYONE,
    ("GET", "/api/v1/livez"): Role.ANYONE,
    ("GET", "/api/v1/readyz"): Role.ANYONE,
    ("GET", "/metrics"): Role.GUEST,
    ("GET", "/api/v1/state"): Role.GUEST,
    ("GET", "/api/v1/events"): Role.GUEST,
    ("GET", "/api/v1/lots"): Role.GUEST,
    ("GET", "/api/v1/runs"): Role.GUEST,
    ("GET", "/api/v1/said"): Role.GUEST,
    ("GET", "/api/v1/alarms"): Role.GUEST,
    ("GET", "/api/v1/stations/{station:path}/strips"): Role.GUEST,
    ("GET", "/api/v1/runs/{run:path}/tally"): Role.GUEST,
    ("GET", "/api/v1/runs/{run:path}/record"): Role.GUEST,
    ("GET", "/api/v1/runs/{run:path}/report.html"): Role.GUEST,
    ("GET", "/api/v1/runs/{run:path}/report.pdf"): Role.GUEST,
    ("GET", "/api/v1/runs/{run:path}/weigh-up"): Role.GUEST,
    ("GET", "/api/v1/lots/{lot:path}/weigh-up"): Role.GUEST,
    ("GET", "/api/v1/runs/{run:path}/balance"): Role.GUEST,
    ("GET", "/api/v1/lots/{lot:path}/balance"): Role.GUEST,
    ("GET", "/api/v1/scales"): Role.GUEST,
    ("GET", "/api/v1/actions/schema"): Role.GUEST,
    ("POST", "/api/v1/actions"): Role.OPERATOR,
    # To listen on a wire, or to ask on it, is to act: it opens ports, and sends where it is told to.
    ("GET", "/api/v1/wires"): Role.OPERATOR,
    ("POST", "/api/v1/wires/listen"): Role.OPERATOR,
    ("POST", "/api/v1/wires/find"): Role.OPERATOR,
    # What was set aside holds raw entries and the answers of the receiver; to send again burdens it.
    ("GET", "/api/v1/followers"): Role.GUEST,
    ("GET", "/api/v1/followers/{name}/aside"): Role.OPERATOR,
    ("POST", "/api/v1/followers/{name}/again"): Role.OPERATOR,
}


def route_of(app: Starlette, scope: Scope) -> str | None:
    """The route that would answer, as it is written; None where there is none for this path and method."""
    for route in app.routes:
        if isinstance(route, Route) and route.matches(scope)[0] is Match.FULL:
            return route.path
    return None
