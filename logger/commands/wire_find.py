"""`tallydeck wire find`: how to talk to an instrument without a manual."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.commands.shared import (
    CANT_CREATE,
    CONFIG,
    DATA,
    UNAVAILABLE,
    USAGE,
    JsonOption,
    err,
    fail,
    out,
    print_json,
)
from logger.commands.wire import PortArgument, typed_bytes, until_ctrl_c

if TYPE_CHECKING:
    from logger.core.guess.proposal import Proposal
    from logger.ports.finding import Found, Plan, Trial


def find(
    port: PortArgument,
    silent: Annotated[bool, typer.Option("--silent", help="Only listen; never send anything.")] = False,
    ask: Annotated[
        list[str] | None,
        typer.Option(metavar="TEXT", help=r"Ask with this and nothing else; may be repeated. E.g. 'W\r\n'."),
    ] = None,
    baud: Annotated[int | None, typer.Option(help="Try this speed alone.")] = None,
    framing: Annotated[str | None, typer.Option("--format", help="Try this format alone.")] = None,
    seconds: Annotated[
        float, typer.Option("--seconds", min=0.2, max=60, help="How long to listen at each speed.")
    ] = 2.0,
    learn: Annotated[
        float, typer.Option(min=1, max=600, help="How long to learn from it, once it is understood.")
    ] = 8.0,
    unit: Annotated[
        str | None, typer.Option(help="The unit on the display, where its lines tell none: kg, g, lb.")
    ] = None,
    choose: Annotated[
        int | None, typer.Option(min=1, help="Take this one of the other ways to read its lines.")
    ] = None,
    write: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Add the instrument to this configuration.")
    ] = None,
    name: Annotated[str, typer.Option(help="What to call the instrument there.")] = "scale",
    as_json: JsonOption = False,
) -> None:
    """Find speed, format and the layout of its lines by trying, and propose a configuration.

    It listens at each speed first. Only what does not send by itself is asked, and every request is
    printed; an unknown instrument might take one for something else, so see that nothing can happen, or
    use --silent. Load and unload the pan meanwhile: steps and words for motion show themselves then.
    """
    from logger.ports.ear import has_settings
    from logger.ports.finding import REQUESTS, plan
    from logger.ports.listing import stable_name
    from logger.ports.telling import found_dict
    from logger.settings.adding import why_not

    requests = [typed_bytes(text) for text in ask] if ask else list(REQUESTS)
    if silent and ask:
        fail(USAGE, "--silent sends nothing, so --ask can't be used with it")
    search = plan(
        has_settings=has_settings(port),
        baud=baud,
        framing=framing,
        requests=() if silent else requests,
        listen_s=seconds,
        learn_s=learn,
    )
    found = _search(port, search)
    proposal = _decided(found.proposal, unit, choose)
    place = stable_name(port)
    if as_json:
        print_json(found_dict(found, proposal, name, place))
    else:
        _print(found, proposal, name, place)
    if proposal is None:
        fail(DATA, found.verdict)
    if write is not None:
        _write(write, name, place, proposal)
    elif not as_json and (trouble := why_not(proposal)):
        err.print(f"tallydeck: {trouble}", markup=False)


def _search(port: str, search: Plan) -> Found:
    from logger.ports.ear import Opener, settings_of
    from logger.ports.finding import Stopped
    from logger.ports.finding import find as search_port
    from logger.ports.wire import WireError, check_url

    def say(text: str) -> None:
        err.print(text, markup=False)

    try:
        check_url(port)
        for setting in search.settings:
            settings_of(*(setting or (9600, "8N1")))
    except ValueError as error:
        fail(USAGE, str(error))
    with until_ctrl_c() as enough:
        try:
            return search_port(Opener(port), search, now=time.monotonic, say=say, stopped=enough.is_set)
        except Stopped:
            fail(130, "stopped; nothing was decided")
        except WireError as error:
            fail(UNAVAILABLE, str(error.strerror))


def _decided(proposal: Proposal | None, unit: str | None, choose: int | None) -> Proposal | None:
    try:
        if proposal is not None and choose is not None:
            proposal = proposal.choose(choose)
        if proposal is not None and unit is not None:
            proposal = proposal.with_unit(unit)
    except ValueError as error:
        fail(USAGE, str(error))
    return proposal


def _write(write: Path, name: str, place: str, proposal: Proposal) -> None:
    from logger.settings.adding import AddError, add_instrument

    try:
        add_instrument(write, name, place, proposal)
    except AddError as error:
        fail(CONFIG, str(error))
    except OSError as error:
        fail(CANT_CREATE, f"{write}: {error.strerror}")
    err.print(f"added to {write}; next: tallydeck check {write} --probe", markup=False)


def _print(found: Found, proposal: Proposal | None, name: str, place: str) -> None:
    from logger.ports.finding import show_bytes
    from logger.settings.adding import instrument_toml, why_not

    out.print("Tried, the best first:")
    for trial in [each for each in found.trials if each.fit.size][:5]:
        out.print("  " + _trial_text(trial), markup=False)
    sent = ", ".join(map(show_bytes, found.sent))
    out.print(f"Sent: {sent}" if sent else "Nothing was sent.", markup=False)
    for note in found.notes:
        out.print(f"Note: {note}.", markup=False)
    if proposal is None:
        return
    out.print(f"Best: {_best_text(proposal)}", markup=False)
    for shown in proposal.shown:
        out.print(f"  reads {shown}", markup=False)
    for number, other in enumerate(proposal.alternatives, 1):
        shown = other.shown[-1] if other.shown else ""
        out.print(f"Or (--choose {number}): {other.line.layout!r} reads {shown}", markup=False)
    out.print("What it could not tell:")
    for question in proposal.questions:
        out.print(f"  - {question}", markup=False)
    if not why_not(proposal):
        out.print("Proposed:\n", markup=False)
        out.print(instrument_toml(name, place, proposal), markup=False)


def _best_text(proposal: Proposal) -> str:
    from logger.ports.finding import show_setting

    way = {"listen": "sends by itself", "repeat": "sends by itself", "poll": "is asked"}[proposal.mode]
    layout = "" if proposal.line is None else f", layout {proposal.line.layout!r}"
    read = f"{proposal.read} of {proposal.of} lines read"
    return f"{show_setting(proposal.settings)}, dialect {proposal.dialect}{layout}, {way}; {read}"


def _trial_text(trial: Trial) -> str:
    from logger.ports.finding import show_bytes, show_setting

    fit = trial.fit
    asked = f" asked {show_bytes(trial.request)}" if trial.request else ""
    return (
        f"{show_setting(trial.setting):<11}{asked} fit {fit.score:4.0%}: {fit.clean:.0%} clean, "
        f"{fit.alike:.0%} of {len(fit.cut.lines)} lines alike, {fit.numbers:.0%} with a number; "
        f"{show_bytes(trial.sample[:24])}"
    )
