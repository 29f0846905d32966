"""The worst of each sort, with all that is needed to play it again and explain it."""

from __future__ import annotations

from tests.bench.testbay.score import Record, Scored

Found = tuple[str, Record]  # what to print, and of what


def worst(total: Scored, count: int) -> list[Found]:
    """The clogs noticed latest (beside the bound), false alarms, and masses furthest off (beside u)."""
    if count <= 0:
        return []
    watched = [c for c in total.clogs if c.note["watchable"]]
    late = sorted(watched, key=_lateness, reverse=True)[:count]
    off = sorted(total.masses, key=lambda m: -abs(m.note["off_kg"]) / max(m.note["u_kg"], 1e-4))[:count]
    found = [(_clog(c), c) for c in late]
    found += [(_false(f), f) for f in total.false[:count]]
    found += [(_mass(m), m) for m in off]
    return found


def _lateness(c: Record) -> float:
    bound, delay = c.note["bound_s"], c.note["delay_s"]
    waited = (c.note["until_s"] - c.at_s) * 10.0 if delay is None else delay
    return float(waited / bound)


def _head(r: Record) -> str:
    return f"{r.what} seed {r.seed} {r.subject}{' (hand-fed)' if r.hand else ''}"


def _clog(c: Record) -> str:
    n = c.note
    delay = "never noticed" if n["delay_s"] is None else f"noticed after {n['delay_s']:.0f} s"
    return (
        f"late: {_head(c)}: {n['kind']} clog {c.at_s:.0f}-{n['until_s']:.0f} s, {delay}, "
        f"bound {n['bound_s']:.0f} s, {n['kg_h']} kg/h, phi {n['phi_g']} g, d {n['d_g']:g} g, "
        f"surge {n['surge']}; near: {n['near'] or 'nothing'}"
    )


def _false(f: Record) -> str:
    n = f.note
    return (
        f"false: {_head(f)}: {n['kind']} at {f.at_s:.0f} s (since {n['since_s']:.0f}), cause {n['cause']}; "
        f"near: {n['near'] or 'nothing'}; {n['evidence']}"
    )


def _mass(m: Record) -> str:
    n = m.note
    off_g, u_g = n["off_kg"] * 1000, n["u_kg"] * 1000
    return f"mass: {_head(m)}: off {off_g:+.0f} g of {n['true_kg']:.3f} kg, stated u {u_g:.0f} g"
