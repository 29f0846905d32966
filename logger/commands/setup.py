"""The options of `tallydeck prove`; what it does is in `logger.commands.prove`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from logger.commands.shared import (
    CANT_CREATE,
    DATA,
    UNAVAILABLE,
    USAGE,
    JsonOption,
    err,
    fail,
    load,
    out,
    print_json,
)

INTERRUPTED = 130


def prove(  # noqa: PLR0917 - a command line is called by name
    file: Annotated[Path, typer.Argument(help="The configuration (TOML).")],
    only: Annotated[
        str | None,
        typer.Option(
            help="Only these, with commas: alive, noise, resolution (need nobody); zero, deck, weight, "
            "repeat, tracking, container, water, bucket (need a person at the terminal)."
        ),
    ] = None,
    instrument: Annotated[
        list[str] | None, typer.Option("--instrument", "-i", help="Only this one; may be given again.")
    ] = None,
    weight: Annotated[
        str | None, typer.Option(help='The test weight\'s mass, e.g. "5 kg"; else it is asked for.')
    ] = None,
    tolerance: Annotated[
        str | None, typer.Option(help='The tolerance stated for the test weight, e.g. "0.25 g".')
    ] = None,
    seconds: Annotated[float, typer.Option(help="How long to listen.", min=3, max=3600)] = 20.0,
    bucket: Annotated[float, typer.Option(help="Seconds to catch water for.", min=5, max=600)] = 30.0,
    as_json: JsonOption = False,
) -> None:
    """Check the instruments of a bay, step by step, before the first lot.

    It says what to put, pour or switch, sees for itself when that was done, and ends with a table of
    verdicts, which is kept beside the journal. Without a terminal only alive, noise and resolution are
    done, and the rest is named as not done. Leaves with 69 where an instrument is silent, 65 where
    something fails.
    """
    from logger.clock import Clock
    from logger.commands.prove import ProofError, outcome_code, summary, table
    from logger.commands.prove import prove as run
    from logger.core.proof.plan import Wishes
    from logger.journal.set_up_checks import save_set_up_check

    configuration = load(file)
    wishes = Wishes(
        only=None if only is None else frozenset(word.strip() for word in only.split(",") if word.strip()),
        instruments=frozenset(instrument) if instrument else None,
        interactive=sys.stdin.isatty(),
        seconds=seconds,
        bucket_s=bucket,
        weight_kg=_mass("--weight", weight),
        tolerance_kg=_mass("--tolerance", tolerance) or 0.0,
    )
    if not wishes.interactive:
        err.print("tallydeck: no terminal, so only what needs nobody's hands is checked", markup=False)
    try:
        found = run(configuration, wishes, err)
    except ProofError as error:
        fail(UNAVAILABLE, str(error))
    except ValueError as error:
        fail(USAGE, str(error))
    except KeyboardInterrupt:
        fail(INTERRUPTED, "stopped; nothing was saved")
    if as_json:
        print_json(found)
    else:
        out.print(table(found["results"]))
        out.print(summary(found["results"]), markup=False)
    try:
        path = save_set_up_check(configuration.journal_directory, Clock().wall_ns(), found)
        err.print(f"tallydeck: kept as {path}", markup=False)
    except OSError as error:
        fail(CANT_CREATE, f"the outcome can't be kept in {configuration.journal_directory}: {error}")
    code = outcome_code(found["results"], silent=UNAVAILABLE, failed=DATA)
    if code:
        raise typer.Exit(code)


def _mass(option: str, text: str | None) -> float | None:
    from logger.core.proof.answers import AnswerError, read_answer
    from logger.core.proof.values import Asked

    if text is None:
        return None
    try:
        return float(read_answer(Asked("mass", ""), text))
    except AnswerError as error:
        fail(USAGE, f"{option}: {error}")
