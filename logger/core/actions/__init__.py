"""What an operator can do or say, one model an action: the one schema of command line, API, MQTT and replay.

On the wire an action is one JSON object, e.g.::

    {"action": "open-lot", "lot": "L-0412", "owner": "PO 7781", "material": "floor sweepings",
     "gross": "412.5 kg", "tare": "14.2 kg", "moisture": "6 %"}

``time`` (RFC 3339 with an offset) says when it took effect, if not now; ``id`` makes it idempotent;
``who`` says who said it. Masses and shares are quantities with a unit, or plain numbers in kg or 1.
"""

from __future__ import annotations

from typing import Annotated, Any, TypeAlias, get_args

from pydantic import BaseModel, Field, TypeAdapter

from logger.core.actions.alarms import (
    Acknowledge,
    ResetAlarm,
    ReturnToService,
    Shelve,
    TakeOutOfService,
    Unshelve,
)
from logger.core.actions.base import EPOCH, MassKg, Name, Said, Share, Text, to_ns
from logger.core.actions.containers import (
    ContainerAway,
    ContainerChanged,
    ContainerSet,
    Correct,
    Decanted,
    SampleTaken,
)
from logger.core.actions.lots import CancelWeighing, LotContainer, OpenLot, SweptUp, WeighLot, WeighProduct
from logger.core.actions.runs import (
    Amend,
    EndRun,
    Mark,
    Note,
    PauseFeed,
    ResumeFeed,
    Settings,
    StartRun,
    Withdraw,
    WordMark,
)
from logger.core.actions.selling import ConsistsOf, ForSale, PassCost, Price, SellAs
from logger.core.actions.stops import NoStop
from logger.core.actions.weighup import CheckWeight, Moisture, Of, RegisterSample, SampleResult

Body: TypeAlias = Annotated[
    OpenLot
    | WeighLot
    | WeighProduct
    | SweptUp
    | CancelWeighing
    | StartRun
    | EndRun
    | PauseFeed
    | ResumeFeed
    | Settings
    | Note
    | Mark
    | WordMark
    | Amend
    | Withdraw
    | ContainerSet
    | ContainerChanged
    | ContainerAway
    | Decanted
    | SampleTaken
    | RegisterSample
    | SampleResult
    | Moisture
    | CheckWeight
    | SellAs
    | Price
    | PassCost
    | ConsistsOf
    | Correct
    | NoStop
    | Acknowledge
    | Shelve
    | Unshelve
    | TakeOutOfService
    | ReturnToService
    | ResetAlarm,
    Field(discriminator="action"),
]
BODY: TypeAdapter[Any] = TypeAdapter(Body)
MODELS: dict[str, type[BaseModel]] = {
    model.model_fields["action"].default: model for model in get_args(get_args(Body)[0])
}
"""The name of an action -> its model, in the schema's order."""

__all__ = [
    "BODY",
    "EPOCH",
    "MODELS",
    "Acknowledge",
    "Amend",
    "Body",
    "CancelWeighing",
    "CheckWeight",
    "ConsistsOf",
    "ContainerAway",
    "ContainerChanged",
    "ContainerSet",
    "Correct",
    "Decanted",
    "EndRun",
    "ForSale",
    "LotContainer",
    "Mark",
    "MassKg",
    "Moisture",
    "Name",
    "NoStop",
    "Note",
    "Of",
    "OpenLot",
    "PassCost",
    "PauseFeed",
    "Price",
    "RegisterSample",
    "ResetAlarm",
    "ResumeFeed",
    "ReturnToService",
    "Said",
    "SampleResult",
    "SampleTaken",
    "SellAs",
    "Settings",
    "Share",
    "Shelve",
    "StartRun",
    "SweptUp",
    "TakeOutOfService",
    "Text",
    "Unshelve",
    "WeighLot",
    "WeighProduct",
    "Withdraw",
    "WordMark",
    "body_json",
    "to_ns",
]


def body_json(body: BaseModel) -> dict[str, Any]:
    """The action as plain JSON values; reading it again with `BODY` gives an equal model."""
    return body.model_dump(mode="json", exclude_defaults=False, exclude_none=True)
