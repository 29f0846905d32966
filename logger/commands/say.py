"""`tallydeck say`: what a person did, saw or wants corrected, in plain words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from logger.commands import alarms, evidence, selling
from logger.commands.saying import Say, pairs, photographs, says
from logger.commands.shared import USAGE, fail, out
from logger.commands.weighing import GrossOption, ScaleOption, TareOption, WaitOption, weigh
from logger.core import actions
from logger.core.units import kg_to

say_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Say what you did or saw: settings, notes, the feed, containers, alarms, corrections.",
)
OutletArgument = Annotated[str, typer.Argument(help="As in the configuration.")]
WhyOption = Annotated[str, typer.Option(help="The reason.")]


# ---------------------------------------------------------------------- the station and the feed


@says(say_app, "settings", actions.Settings)
def settings(
    say: Say,
    values: Annotated[
        list[str], typer.Argument(metavar="NAME=VALUE...", help='E.g. tilt=4° stroke="15 mm".')
    ],
) -> None:
    """Write settings down: tilt, stroke, speed, wash water, whatever you set."""
    say(values=pairs(values, "settings are"))


@says(say_app, "pause", actions.PauseFeed)
def pause(say: Say, why: WhyOption = "") -> None:
    """The feed is paused on purpose; nobody is called for that."""
    say(why=why)


@says(say_app, "resume", actions.ResumeFeed)
def resume(say: Say) -> None:
    """The feed goes on. (It is also seen when it flows.)"""
    say()


# ---------------------------------------------------------------------- notes and marks


@says(say_app, "note", actions.Note)
def note(
    say: Say,
    text: str,
    photo: Annotated[list[Path] | None, typer.Option(help="A picture's file. Repeat it for more.")] = None,
) -> None:
    """A remark with a time."""
    say(text=text, photographs=photographs(photo))


@says(say_app, "mark", actions.Mark)
def mark(say: Say) -> None:
    """Something happened now: put a mark, and word it when your hands are free."""
    answer = say()
    marked = answer.get("data", {}).get("marked")
    if marked is not None and not say.as_json:
        out.print(marked["mark"], markup=False)


@says(say_app, "word", actions.WordMark)
def word(
    say: Say, mark: Annotated[str, typer.Argument(help="The mark's name, e.g. mark-3.")], text: str
) -> None:
    """The words for a mark. The later words count; the earlier ones are kept."""
    say(mark=mark, text=text)


# ---------------------------------------------------------------------- containers and products


@says(say_app, "container-set", actions.ContainerSet)
def container_set(
    say: Say,
    outlet: OutletArgument,
    tare: Annotated[str | None, typer.Option(help="Its tare, where it was not empty.")] = None,
) -> None:
    """A fresh container stands at an outlet (only needed where the weight did not show it)."""
    say(outlet=outlet, tare=tare)


@says(say_app, "changed", actions.ContainerChanged)
def changed(say: Say, outlet: OutletArgument) -> None:
    """The container was changed just now: the last step of the weight was that."""
    say(outlet=outlet)


@says(say_app, "away", actions.ContainerAway)
def away(say: Say, outlet: OutletArgument) -> None:
    """The container was taken away and none put in its place: what comes now is not caught."""
    say(outlet=outlet)


@says(say_app, "decanted", actions.Decanted)
def decanted(say: Say, outlet: OutletArgument) -> None:
    """Water was poured off the container: the last step down was water, not product."""
    say(outlet=outlet)


@says(say_app, "sample", actions.SampleTaken)
def sample(
    say: Say,
    outlet: OutletArgument,
    sample: Annotated[str, typer.Argument(help="Its number or name, as on the bag.")],
    mass: Annotated[
        str | None, typer.Option(help='Its wet mass, e.g. "85 g"; the last step down if left out.')
    ] = None,
) -> None:
    """A sample was taken out of an outlet's container; it belongs to what was delivered."""
    say(outlet=outlet, sample=sample, mass=mass)


@says(say_app, "weigh-product", actions.WeighProduct)
def weigh_product(
    say: Say,
    outlet: OutletArgument,
    container: Annotated[str, typer.Argument(help="The container's name or number.")],
    gross: GrossOption = None,
    tare: TareOption = None,
    scale: ScaleOption = None,
    run: Annotated[str | None, typer.Option(help="Of which run; the open or the last if left out.")] = None,
    wait: WaitOption = True,
) -> None:
    """Gross or tare of a container of product that is carried to a scale: a mass, or "weigh"."""
    fields = {"outlet": outlet, "container": container, "gross": gross, "tare": tare, "scale": scale}
    weigh(say, say.action, fields | {"run": run} | say.common, wait=wait)


@says(say_app, "swept-up", actions.SweptUp)
def swept_up(
    say: Say,
    container: Annotated[str, typer.Argument(help="Its name or number, where there are several.")] = "1",
    gross: GrossOption = None,
    tare: TareOption = None,
    scale: ScaleOption = None,
    run: Annotated[str | None, typer.Option(help="Of which run; the open or the last if left out.")] = None,
    wait: WaitOption = True,
) -> None:
    """Gross or tare of a container of what was spilt and swept up: a mass, or "weigh"."""
    fields = {"container": container, "gross": gross, "tare": tare, "scale": scale, "run": run}
    weigh(say, say.action, fields | say.common, wait=wait)


@says(say_app, "cancel-weighing", actions.CancelWeighing)
def cancel_weighing(say: Say, scale: Annotated[str, typer.Argument(help="The instrument.")]) -> None:
    """Don't wait any longer for the next stable weight of a scale."""
    say(scale=scale)


# ---------------------------------------------------------------------- for the weigh-up


says(say_app, "register-sample", actions.RegisterSample)(evidence.register_sample)
says(say_app, "result", actions.SampleResult)(evidence.result)
says(say_app, "moisture", actions.Moisture)(evidence.moisture)
says(say_app, "check-weight", actions.CheckWeight)(evidence.check_weight)
says(say_app, "sell-as", actions.SellAs)(selling.sell_as)
says(say_app, "price", actions.Price)(selling.price)
says(say_app, "pass-cost", actions.PassCost)(selling.pass_cost)
says(say_app, "consists-of", actions.ConsistsOf)(selling.consists_of)


# ---------------------------------------------------------------------- alarms


says(say_app, "acknowledge", actions.Acknowledge)(alarms.acknowledge)
says(say_app, "ack", actions.Acknowledge)(alarms.acknowledge)
says(say_app, "shelve", actions.Shelve)(alarms.shelve)


# ---------------------------------------------------------------------- corrections


@says(say_app, "no-stop", actions.NoStop)
def no_stop(
    say: Say,
    outlet: OutletArgument,
    undo: Annotated[bool, typer.Option("--undo", help="It was one after all.")] = False,
    why: WhyOption = "",
) -> None:
    """What was taken for a stop of an outlet was none: the newest that had begun by --time."""
    say(outlet=outlet, undo=undo, why=why)


@says(say_app, "correct", actions.Correct)
def correct(
    say: Say,
    recognised: Annotated[str, typer.Argument(help="What was recognised, e.g. concentrate#3.")],
    was: Annotated[str | None, typer.Option(help="product, nothing or change.")] = None,
    credit: Annotated[str | None, typer.Option(help='Product that passed meanwhile, e.g. "120 g".')] = None,
    why: WhyOption = "",
) -> None:
    """Correct something recognised from the weight. The old figure stays in the record."""
    answer = say(recognised=recognised, was=was, credit=credit, why=why)
    corrected = answer.get("data", {}).get("corrected")
    if not say.as_json and corrected is not None:
        unit = say.here.unit
        out.print(f"delivered changes by {kg_to(corrected['change_kg'], unit):+.3f} {unit}", markup=False)


EntryArgument = Annotated[
    str, typer.Argument(help="The entry's number, its id, or a mark's name; tallydeck said lists them.")
]


@says(say_app, "amend", actions.Amend)
def amend(
    say: Say,
    entry: EntryArgument,
    values: Annotated[
        list[str],
        typer.Argument(
            metavar="FIELD=VALUE...", help='E.g. time=06:10 or gross="412.5 kg"; FIELD= takes it out.'
        ),
    ],
    why: WhyOption = "",
) -> None:
    """Correct something that was said. The old values stay in the record.

    Lists and tables are written as JSON: values='{"tilt": "5°"}'.
    """
    change = {name: _value(text) for name, text in pairs(values, "changes are").items()}
    say(entry=_entry(entry), change=change, why=why)


@says(say_app, "withdraw", actions.Withdraw)
def withdraw(say: Say, entry: EntryArgument, why: WhyOption = "") -> None:
    """Take back something that was said, as if it had not been. It stays in the record."""
    say(entry=_entry(entry), why=why)


def _entry(text: str) -> int | str:
    return int(text) if text.isdecimal() else text


def _value(text: str) -> Any:
    """None for nothing, JSON where it is a list or a table, else the text itself."""
    if text in {"", "null"}:
        return None
    if text[0] not in "[{":
        return text
    try:
        return json.loads(text)
    except ValueError as error:
        fail(USAGE, f"{text[:60]} is no JSON: {error}")
