"""What a bay of many channels costs: processor, memory, delay from said to written. By hand; no test.

    .venv/bin/python tests/bench/loop_bench.py [--channels 64] [--rate 20] [--seconds 60]

Readings enter the loop as from ports, at life's speed, with a real journal on this disk. The floor is the
same readings only queued and taken out again, in the same run.
"""

from __future__ import annotations

import argparse
import queue
import random
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from logger.clock import Clock
from logger.core.bay import Bay
from logger.core.entries import Reading
from logger.journal.journal import Journal
from logger.loop import Loop
from logger.settings import loads

OUTLETS = 7  # to a station, beside its feed


def bay_text(channels: int) -> str:
    stations = []
    for number in range(max(1, channels // (OUTLETS + 1))):
        outlets = ", ".join(f'"s{number}-o{k}"' for k in range(OUTLETS))
        stations.append(f"[instruments.s{number}-feed]\nresolution = '5 g'\n")
        stations += [f"[instruments.s{number}-o{k}]\nresolution = '5 g'\n" for k in range(OUTLETS)]
        stations.append(
            f'[stations.s{number}]\nresolution = "5 g"\noutlets = [{outlets}]\n'
            f'[stations.s{number}.feed]\nkind = "hopper"\nscale = "s{number}-feed"\ntarget = "60 kg/h"\n'
        )
    return "".join(stations)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--channels", type=int, default=64)
    parser.add_argument("--rate", type=float, default=20.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    description = loads(bay_text(options.channels)).bay
    names = [channel.name for channel in description.channels]
    dice = random.Random(1)
    clock = Clock()
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal.open(Path(folder) / "j.sqlite", boot_id=clock.boot_id, offset_ns=clock.offset_ns)
        loop = Loop(Bay(description), journal, clock)
        loop.start()
        for station in description.stations:
            loop.submit({"action": "start-run", "station": station.name}, "bench")
        masses = dict.fromkeys(names, 20_000.0)
        fed = floor = 0
        inbox: queue.SimpleQueue[Reading] = queue.SimpleQueue()
        delays: list[float] = []
        begun, busy = time.monotonic(), time.process_time()
        floor_s = 0.0
        first_rss = 0
        while (passed := time.monotonic() - begun) < options.seconds:
            due = int(passed * options.rate) * len(names)
            made_s = time.process_time()
            while fed < due:
                name = names[fed % len(names)]
                masses[name] += (-60.0 if name.endswith("feed") else 8.5) / 3.6 / options.rate
                shown = round((masses[name] + dice.gauss(0, 4)) / 5) * 5
                made = Reading(clock.now_ns(), name, shown, -3, "kg", True)
                loop.put(made)
                inbox.put(made)
                inbox.get()
                fed += 1
            floor_s += time.process_time() - made_s
            if fed and fed // 5000 != floor:
                floor = fed // 5000
                asked = time.monotonic()
                loop.submit({"action": "note", "text": "x"}, "bench")
                delays.append(time.monotonic() - asked)
            if passed > options.seconds / 3 and not first_rss:
                first_rss = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            time.sleep(0.01)
        busy = time.process_time() - busy
        wall = time.monotonic() - begun
        loop.stop()
        journal.close()
    rss = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{len(names)} channels at {options.rate:g} Hz for {wall:.0f} s: {fed} readings")
    print(f"processor       {(busy - floor_s) / wall:8.1%} of a core, without making the readings")
    print(f"making (floor)  {floor_s / wall:8.1%};  ratio {(busy - floor_s) / floor_s:.1f}")
    print(f"memory          {rss / 1024:8.0f} MB at most, {first_rss / 1024:.0f} MB after a third of it")
    middle, most = statistics.median(delays) * 1e3, max(delays) * 1e3
    print(f"said to written {middle:8.1f} ms median, {most:.1f} ms most, of {len(delays)}")


if __name__ == "__main__":
    main()
