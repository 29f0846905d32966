"""Everything that a journal holds of a run, gathered once: what a report is made from, and nothing else.

The journal is folded up to its last entry, from the newest checkpoint that fits, else from its beginning; so
it makes no difference whether a daemon writes to it, and none which. Figures come from that fold (what is
judged *now*); findings of the run's span come from the journal as they stand (what was *told* then).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from logger.core.bay import Bay as Fold
from logger.core.books import Run
from logger.core.description import Bay, Station
from logger.core.entries import Finding
from logger.core.tagging import Clockwork
from logger.journal.journal import JournalError, JournalReader
from logger.journal.own import own_bay, resumed
from logger.report.contract import Progress, ReportError, quiet
from logger.report.fingerprint import Fingerprint, fingerprint
from logger.settings import Configuration

if TYPE_CHECKING:
    from logger.balance.document import Scale, WeighUp

NS = 10**9
AFTER_NS = 2 * NS  # findings about the last second come with the next
TOLD = ("rates", "tally", "alarm", "recognised", "no-stop")
"""Findings of the span that are wanted."""
LATER = ("run-closed", "run-changed")
"""Findings that hold the run's tally as it was told, whenever that was."""
FOLDING, READING = 0.75, 0.15  # of the work, as progress is told
CHUNK = 20_000
KeyOf = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Record:
    """A run in its journal. Times are station time in ns; `wall` tells what the clock on the wall was."""

    journal: Path
    fold: Fold
    run: Run
    digest: str  # of the configuration that it is judged by
    findings: list[Finding]  # of the run's span, the kinds of `TOLD`, in order
    tallies_told: list[Finding]  # of the run, the kinds of `LATER`, in order
    fingerprint: Fingerprint
    first_seq: int
    last_seq: int

    @property
    def bay(self) -> Bay:
        return self.fold.description

    @property
    def station(self) -> Station:
        return self.fold.stations[self.run.station].station

    @property
    def zone(self) -> tzinfo:
        return ZoneInfo(self.bay.time_zone)

    @property
    def open(self) -> bool:
        """Whether the run still goes on: all figures are then "so far"."""
        return self.run.end_ns is None

    @property
    def start_ns(self) -> int:
        return self.run.start_ns

    @property
    def end_ns(self) -> int:
        """Its end; of an open run the newest moment of the record."""
        return self.fold.at_ns if self.run.end_ns is None else self.run.end_ns

    def wall(self, at_ns: int) -> int:
        """What the clock on the wall showed at a moment of station time, as is known now (ns)."""
        return at_ns + self._stretch(at_ns).shift_ns

    @property
    def clock_trusted(self) -> bool:
        """Whether anything ever said that the clock was right, of the start that the run began under."""
        return self._stretch(self.start_ns).trusted

    def _stretch(self, at_ns: int) -> Clockwork:
        found = Clockwork(0, 0, False)
        for piece in self.fold.walltime.clockwork():
            if piece.from_ns <= at_ns:
                found = piece
        return found

    def run_json(self) -> dict[str, Any]:
        return self.fold.books.run_json(self.run)

    def lot_json(self) -> dict[str, Any] | None:
        lot = None if self.run.lot is None else self.fold.books.lots.get(self.run.lot)
        return None if lot is None else self.fold.books.lot_json(lot)

    def tally(self) -> dict[str, Any]:
        """What came out, as it is judged now."""
        return self.fold.run_tally(self.run)

    def weigh_up(self) -> WeighUp | None:
        """The document that its balance is made from. WeighUpError where what was said makes none."""
        from logger.balance import from_bay

        make = from_bay.of_a_run(self.fold, self.run.run)
        return None if make is None else make()

    def scales(self) -> dict[str, Scale]:
        """Every scale of the bay with its plate and the check weights that are remembered."""
        from logger.balance import from_bay

        return from_bay.scales_of(self.fold)()


@dataclass(frozen=True, slots=True)
class Folded:
    """A whole journal, folded to ``last_seq``. ``digest``: of the configuration it is judged by."""

    path: Path
    fold: Fold
    digest: str
    last_seq: int


def folded(
    path: Path,
    configuration: Configuration | None = None,
    key_of: KeyOf | None = None,
    progress: Progress = quiet,
) -> Folded:
    """Fold a journal that may be in use; by its own configuration where none is given. ReportError, in words.

    ``key_of`` gives the key of checkpoints from a configuration's digest; None: always from the start.
    """
    if not path.is_file():
        raise ReportError(f"{path}: there is no such journal; name its file or folder with --journal")
    try:
        with JournalReader(path) as reader:
            last = reader.last_seq
            if not last:
                raise ReportError(f"{path}: holds no entry yet")
            if configuration is None:
                bay, digest = own_bay(reader)
            else:
                bay, digest = configuration.bay, configuration.digest
            after, fold = 0, Fold(bay)
            if key_of is not None:
                after, fold = resumed(reader, key_of(digest), last) or (after, fold)
            for number, entry in enumerate(reader.read(after, last, findings=False)):
                fold.apply(entry)  # type: ignore[arg-type]  # no findings were asked for
                if number % CHUNK == 0:
                    progress(FOLDING * (entry.seq - after) / max(last - after, 1), "folding the record")
    except JournalError as error:
        raise ReportError(str(error)) from error
    return Folded(path, fold, digest, last)


def record_of(whole: Folded, run: str | None = None, progress: Progress = quiet) -> Record:
    """What a folded journal holds of a run, the newest where none is named. ReportError, in words."""
    found = _find(whole, run)
    end_ns = whole.fold.at_ns if found.end_ns is None else found.end_ns
    try:
        with JournalReader(whole.path) as reader:
            first = reader.first_seq_at(found.start_ns)
            last = min(reader.first_seq_at(end_ns + 1) - 1, whole.last_seq)
            told_upto = min(reader.first_seq_at(end_ns + AFTER_NS) - 1, whole.last_seq)
            findings = reader.findings_in(first, told_upto, TOLD)
            findings = [each for each in findings if each.at_ns <= end_ns + AFTER_NS]
            tallies = [each for kind in LATER for each in reader.findings(kind) if each.subject == found.run]
            tallies = sorted((each for each in tallies if each.seq <= whole.last_seq), key=lambda f: f.seq)

            def reading(part: float) -> None:
                progress(FOLDING + READING * part, "reading the run")

            mark = fingerprint(
                reader, whole.fold, found, (first, last), upto=whole.last_seq, progress=reading
            )
    except JournalError as error:
        raise ReportError(str(error)) from error
    return Record(whole.path, whole.fold, found, whole.digest, findings, tallies, mark, first, whole.last_seq)


def _find(whole: Folded, run: str | None) -> Run:
    runs = whole.fold.books.runs
    if not runs:
        raise ReportError(f"{whole.path}: there is no run in this record yet")
    if run is None:
        return max(runs.values(), key=lambda each: each.start_ns)
    if run not in runs:
        known = ", ".join(sorted(runs)[:20])
        raise ReportError(f'there is no run "{run}" in this record; there is {known}')
    return runs[run]
