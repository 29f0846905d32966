"""What a person does with the containers at the outlets, from the action to what is told of it.

Everything said here is about one step of an outlet's weight, the last or the next within two minutes;
`core.track.told` finds it and changes what it counts for. It keeps the number it was recognised under, so it
can be corrected like everything else. The same said twice within five seconds is taken once: wet buttons.
The latest can be withdrawn, as if they had not been said (`core.track.unsay`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from typing import Any, NamedTuple

from logger.core import actions
from logger.core.books import Books, Refused, Sample
from logger.core.channel import ChannelFold
from logger.core.entries import Action, Finding
from logger.core.rules.contract import OutletNow
from logger.core.station import StationFold
from logger.core.track.saying import SAID_S, WORDS, Saying
from logger.core.track.view import Recognised, Track, TrackState
from logger.core.walltime import rfc3339

NS = 10**9
WITHDRAWN_KEPT = 50
FUTURE_NS = 60 * NS  # a hand-held clock may be a little ahead
TWICE_NS = 5 * NS
KINDS = {"container-changed": "change", "container-away": "away", "decanted": "decanted"}
TOO_OLD = "what was recognised is corrected by the number shown with it"
NO_SCALE = "there is no step of a weight to see; write a note instead"

UNSEEN = {
    "change": "No step of the weight was seen; if a fresh container stands there, say that it was set.",
    "away": "The weight never went off; if nothing stands there, say it again when the container is off.",
    "decanted": "No step down was seen; if one was recognised before, correct it: it was no product.",
    "sample": "No step down was seen; the sample has no mass yet unless it was typed in.",
}
"""What is told two minutes after something was said that no step of the weight fits."""


class _Spoken(NamedTuple):
    """Something said that can be withdrawn: of which channel, what (a correction: of which number)."""

    channel: str
    said: Saying | int
    key: tuple[str, str, str] | None
    action: str
    id: str


class Containers:
    """Handles the actions about containers; works on the bay's own channels, stations and books."""

    def __init__(
        self,
        channels: Mapping[str, ChannelFold],
        stations: Mapping[str, StationFold],
        books: Books,
        recognised: deque[dict[str, Any]],
    ) -> None:
        self.channels, self.stations, self.books = channels, stations, books
        self.recognised = recognised  # the latest, as they are told; a corrected one moves to the end
        self._last: dict[tuple[str, str, str], tuple[int, int, str]] = {}
        self._said_by: dict[int, _Spoken] = {}  # seq -> the latest that can be withdrawn
        self._place: dict[str, tuple[str, str]] = {}  # channel -> station, outlet
        for name, fold in stations.items():
            if fold.station.feed.channel is not None:
                self._place[fold.station.feed.channel] = (name, "")
            for outlet in fold.station.outlets:
                if outlet.channel is not None:
                    self._place[outlet.channel] = (name, outlet.name)

    def act(self, entry: Action) -> list[Finding]:
        """Take one action; `Refused` in the operator's words where it makes no sense."""
        body: Any = entry.body
        if isinstance(body, actions.Correct):
            return [self._correct(entry, body)]
        at_ns = self._when(entry, body)
        station = self.books.station_of(body.station)
        outlet = self._outlet(station, body.outlet)
        key = (station, body.outlet, body.action)
        said = repr(body.model_dump(exclude={"time", "id", "who"}))
        last = self._last.get(key)
        if last is not None and entry.at_ns - last[0] < TWICE_NS and last[2] == said:
            return [Finding(entry.at_ns, "repeated", body.id or body.action, entry.seq, {"seq": last[1]})]
        match body:
            case actions.ContainerSet():
                found = self._set(entry, body, station, outlet, at_ns)
            case actions.SampleTaken():
                found = self._sample(entry, body, station, outlet, at_ns)
            case _:
                saying = Saying(KINDS[body.action], at_ns // NS, entry.at_ns // NS)
                event = self._say(_track(outlet, NO_SCALE), saying)
                found = self._said(entry, station, outlet, event)
                if outlet.now is not None:
                    self._remember(entry, outlet.now.channel.name, saying, key)
        self._last[key] = (entry.at_ns, entry.seq, said)
        return found

    # ------------------------------------------------------------------ taken back

    def _remember(
        self, entry: Action, channel: str, said: Saying | int, key: tuple[str, str, str] | None = None
    ) -> None:
        for seq, each in list(self._said_by.items()):
            if (each.channel, each.said) == (channel, said):
                del self._said_by[seq]  # a later correction of the same number: only that can go again
        self._said_by[entry.seq] = _Spoken(channel, said, key, entry.body.action, entry.id)
        if len(self._said_by) > WITHDRAWN_KEPT:
            del self._said_by[next(iter(self._said_by))]

    def spoke(self, named: int | str) -> int | None:
        """The seq of something said here that can be withdrawn, by its number or its id; None: it is none."""
        if isinstance(named, str) and not named.isdecimal():
            return next((seq for seq, each in self._said_by.items() if each.id == named), None)
        return int(named) if int(named) in self._said_by else None

    def withdraw(self, entry: Action, seq: int) -> list[Finding]:
        """Take back what was said with entry ``seq``; `Refused` where that is not possible any more."""
        spoken = self._said_by[seq]
        track = self.channels[spoken.channel].now.track
        if track is None:
            raise Refused(TOO_OLD)
        try:
            event = track.unsay(spoken.said)
        except KeyError:
            raise Refused(TOO_OLD) from None
        except ValueError as error:
            raise Refused(str(error)) from None
        del self._said_by[seq]
        if spoken.key is not None:
            self._last.pop(spoken.key, None)  # said anew at once, it is no second press of the same button
        data = {"entry": seq, "action": spoken.action, "why": entry.body.why, "who": entry.who}
        found = [Finding(entry.at_ns, "withdrawn", str(seq), entry.seq, data)]
        if event is not None:
            found += self.told(spoken.channel, event, entry.at_ns, entry.seq)
        return found

    # ------------------------------------------------------------------ where and when

    @staticmethod
    def _when(entry: Action, body: Any) -> int:
        """When it took effect (ns); not later than it was said."""
        at_ns: int = entry.at_ns if body.time_ns is None else body.time_ns
        if at_ns > entry.at_ns + FUTURE_NS:
            raise Refused(f"{rfc3339(at_ns)} is in the future; it is {rfc3339(entry.at_ns)} here")
        if at_ns < entry.at_ns - SAID_S * NS:
            raise Refused(
                "this can be said up to two minutes later; correct what was recognised then instead, by the "
                "number shown with it, or write a note"
            )
        return min(at_ns, entry.at_ns)

    def _outlet(self, station: str, name: str) -> OutletNow:
        outlets = self.stations[station].now.outlets
        for outlet in outlets:
            if outlet.outlet.name == name:
                return outlet
        known = ", ".join(o.outlet.name for o in outlets)
        raise Refused(f'there is no outlet "{name}" on {station}; there is {known}')

    # ------------------------------------------------------------------ what is said

    @staticmethod
    def _say(track: Track, saying: Saying) -> Recognised | None:
        try:
            return track.say(saying.said_s, saying)
        except ValueError as error:
            raise Refused(str(error)) from None

    def _said(
        self, entry: Action, station: str, outlet: OutletNow, event: Recognised | None
    ) -> list[Finding]:
        """That it was said, and what it makes of the step it is about."""
        channel = "" if outlet.now is None else outlet.now.channel.name
        name = outlet.outlet.name
        data: dict[str, Any] = {"outlet": name, "station": station, "pending": event is None}
        found = [Finding(entry.at_ns, entry.body.action, name, entry.seq, data)]
        if event is not None:
            data["id"] = f"{channel}#{event.number}"
            found += self.told(channel, event, entry.at_ns, entry.seq)
        return found

    def _set(
        self, entry: Action, body: actions.ContainerSet, station: str, outlet: OutletNow, at_ns: int
    ) -> list[Finding]:
        track = _track(outlet, "there is no tare to take")
        tare_mg = None if body.tare is None else body.tare * 1e6
        event = track.container_set(entry.at_ns // NS, tare_mg, at_ns // NS)
        found = self._said(entry, station, outlet, event)
        found[0].data["tare_kg"] = body.tare
        return found

    def _sample(
        self, entry: Action, body: actions.SampleTaken, station: str, outlet: OutletNow, at_ns: int
    ) -> list[Finding]:
        """A sample goes into the books at once; its mass when it is known."""
        track = None if outlet.now is None else outlet.now.track
        if body.mass is None:
            track = _track(outlet, "type the sample's mass in")
        if track is not None and track.view.state is TrackState.WAITING:
            if body.mass is None:
                raise Refused("the scale has not shown a steady weight yet; type the sample's mass in")
            track = None
        self.books.add_sample(Sample(at_ns, station, body.outlet, body.sample, body.mass, None, entry.seq))
        event = None
        if track is not None:
            mass_mg = None if body.mass is None else body.mass * 1e6
            event = self._say(track, Saying("sample", at_ns // NS, entry.at_ns // NS, body.sample, mass_mg))
        data = {
            "sample": body.sample,
            "outlet": body.outlet,
            "station": station,
            "run": self._run(station, at_ns),
            "mass_kg": body.mass,
            "u_kg": None,
            "pending": body.mass is None and event is None,
        }
        found = [Finding(entry.at_ns, "sample", body.outlet, entry.seq, data)]
        if event is not None and outlet.now is not None:
            found += self.told(outlet.now.channel.name, event, entry.at_ns, entry.seq)
        return found

    def _run(self, station: str, at_ns: int) -> str | None:
        """The run that was open then, or else the last before."""
        runs = [r for r in self.books.runs.values() if r.station == station and r.start_ns <= at_ns]
        return max(runs, key=lambda r: r.start_ns).run if runs else None

    def _correct(self, entry: Action, body: actions.Correct) -> Finding:
        channel, _, number = body.recognised.rpartition("#")
        fold = self.channels.get(channel)
        track = None if fold is None else fold.now.track
        if track is None or not number.isdecimal():
            raise Refused(f'"{body.recognised}" names nothing recognised; it looks like concentrate#3')
        capacity_kg = None if fold is None else fold.now.channel.capacity_kg
        if body.credit is not None and capacity_kg is not None and body.credit > capacity_kg:
            raise Refused(
                f"a credit of {body.credit:g} kg is more than the scale can weigh ({capacity_kg:g} kg); "
                "look at the number and its unit"
            )
        credit_mg = None if body.credit is None else body.credit * 1e6
        try:
            delta_mg = track.correct(int(number), body.was, credit_mg)
        except KeyError:
            raise Refused(f'nothing is remembered under "{body.recognised}"') from None
        except ValueError as error:
            raise Refused(str(error)) from None
        self._remember(entry, channel, int(number))
        data = {
            "id": body.recognised,
            "was": body.was,
            "credit_kg": body.credit,
            "change_kg": round(delta_mg / 1e6, 6),
            "why": body.why,
        }
        return Finding(entry.at_ns, "corrected", channel, entry.seq, data)

    # ------------------------------------------------------------------ what is told

    def told(self, channel: str, event: Recognised, at_ns: int, seq: int) -> list[Finding]:
        """The findings of something recognised, whether the weight showed it or a person said it."""
        station, outlet = self._place.get(channel, ("", ""))
        if event.number == 0:
            data = event.data | {"outlet": outlet, "station": station, "channel": channel}
            data |= {"said": WORDS[event.data["said"]], "do": UNSEEN[event.data["said"]]}
            return [Finding(at_ns, "unseen", channel, seq, data)]
        data = {
            "id": f"{channel}#{event.number}",
            "what": event.what,
            "channel": channel,
            "station": station,
            "from": rfc3339(event.from_s * NS),
            "at": rfc3339(event.to_s * NS),
            "step_kg": round(event.step_mg / 1e6, 6),
            "credit_kg": round(event.credit_mg / 1e6, 6),
            "credit_u_kg": round(event.credit_u_mg / 1e6, 6),
            "estimated": event.estimated,
        }
        data |= event.data
        for place, earlier in enumerate(self.recognised):
            if earlier["id"] == data["id"]:
                del self.recognised[place]
                break
        self.recognised.append(data)
        found = [Finding(at_ns, "recognised", channel, seq, data)]
        if event.what == "sample-taken" and data["mass_u_kg"] is not None:  # its mass came from the weight
            at = event.to_s * NS
            sample, mass_kg, u_kg = data["sample"], data["mass_kg"], data["mass_u_kg"]
            with suppress(Refused):  # it has a mass by now
                self.books.add_sample(Sample(at, station, outlet, sample, mass_kg, u_kg, seq))
            weighed = {
                "sample": sample,
                "outlet": outlet,
                "station": station,
                "run": self._run(station, at),
                "mass_kg": mass_kg,
                "u_kg": u_kg,
                "id": data["id"],
                "pending": False,
            }
            found.append(Finding(at_ns, "sample", outlet, seq, weighed))
        return found


def _track(outlet: OutletNow, why: str) -> Track:
    """The track of an outlet that has a scale; refused where it has none, or it never said anything."""
    if outlet.now is None or outlet.now.track is None:
        raise Refused(f'outlet "{outlet.outlet.name}" has no scale; {why}')
    if not outlet.now.readings:
        raise Refused(f"scale {outlet.now.channel.name} has shown nothing yet; look at its cable")
    return outlet.now.track
