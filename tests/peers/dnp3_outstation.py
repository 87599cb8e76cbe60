"""An outstation of an independent DNP3 library: `dnp3_outstation.py SEED`.

Prints `listening PORT`, then obeys lines of standard input, each answered by JSON lines of which the last is `{"done": ...}`:

* `hold`: what each point holds, as it must go over the wire
* `change COUNT`: so many points change, drawn from the seed; a line for each change that makes an event

When its clock is set it prints `{"clock": MILLISECONDS}`, whenever that is.

What goes over the wire is worked out here, not by the library: it sends analog inputs as 32-bit and analog outputs as 16-bit integers, cut to
their range with the flag for that, and only counter events with a time. That is what the library is able to do.
"""

import asyncio
import json
import random
import sys

from dnp3.core.flags import AnalogQuality, BinaryQuality, CounterQuality
from dnp3.core.timestamp import DNP3Timestamp
from dnp3.database import (
    AnalogInputConfig,
    AnalogOutputConfig,
    BinaryInputConfig,
    BinaryOutputConfig,
    CounterConfig,
    Database,
    DatabaseConfig,
    EventClass,
)
from dnp3.outstation import Outstation, OutstationConfig, OutstationTcpRunner

# Indices with gaps, and some that need two bytes.
PLACES = [*range(12), *range(20, 24), *range(253, 259), 65535]
# Enough for an answer of several fragments.
MANY = [*PLACES, *range(1000, 1400)]
OVER_RANGE = 0x20
CONFIGS = {
    "binary_input": BinaryInputConfig,
    "binary_output": BinaryOutputConfig,
    "counter": CounterConfig,
    "frozen_counter": CounterConfig,
    "analog_input": AnalogInputConfig,
    "analog_output": AnalogOutputConfig,
}
KINDS = {
    "binary_input": "Binary",
    "binary_output": "BinaryOutput",
    "counter": "Counter",
    "frozen_counter": "FrozenCounter",
    "analog_input": "Analog",
    "analog_output": "AnalogOutput",
}


def say(**what):
    print(json.dumps(what), flush=True)


def on_the_wire(kind, point, time=None):
    value, flags = point.value, int(point.quality)
    bits = {"analog_input": 32, "analog_output": 16}.get(kind)
    if bits:
        least, most = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
        if not least <= value <= most:
            value, flags = max(least, min(most, value)), flags | OVER_RANGE
    return {"kind": KINDS[kind], "index": point.index, "value": float(value), "flags": flags, "time": time}


class Device:
    def __init__(self, seed):
        self.random = random.Random(seed)
        self.database = Database(DatabaseConfig(max_analog_inputs=len(MANY)))
        for kind, config in CONFIGS.items():
            for index in MANY if kind == "analog_input" else PLACES:
                event_class = EventClass.NONE if kind == "analog_output" else EventClass(1 + index % 3)
                getattr(self.database, f"add_{kind}")(index, config(event_class=event_class))

    def points(self, kind):
        return getattr(self.database, f"{kind}s")

    def hold(self):
        for kind in CONFIGS:
            for point in self.points(kind).values():
                say(held=on_the_wire(kind, point))
        say(done="hold")

    def change(self, count):
        for _ in range(count):
            kind = self.random.choice(list(CONFIGS))
            point = self.random.choice(list(self.points(kind).values()))
            millis = self.random.randrange(2**41)
            if self.update(kind, point.index, DNP3Timestamp(millis)):
                time = millis if "counter" in kind else None
                say(event=on_the_wire(kind, point, time))
        say(done="change")

    def update(self, kind, index, time):
        if kind == "frozen_counter":
            return self.database.freeze_counter(index, timestamp=time)
        update = getattr(self.database, f"update_{kind}")
        match kind:
            case "binary_input" | "binary_output":
                return update(index, self.random.random() < 0.5, BinaryQuality(self.random.randrange(0x40)), time)
            case "counter":
                return update(index, self.random.randrange(2**32), CounterQuality(self.random.randrange(0x80)), time)
            case _:
                value = self.random.randrange(-(2 ** self.random.randrange(8, 40)), 2 ** self.random.randrange(8, 40))
                return update(index, float(value), AnalogQuality(self.random.randrange(0x80)), time)


async def main():
    device = Device(sys.argv[1])
    outstation = Outstation(
        database=device.database,
        config=OutstationConfig(address=10, master_address=1),
        time_handler=lambda time: say(clock=time.milliseconds),
    )
    runner = OutstationTcpRunner(outstation=outstation, host="127.0.0.1", port=0)
    running = asyncio.create_task(runner.run())
    while not runner.is_running:
        await asyncio.sleep(0.01)
    print("listening", runner.local_address[1], flush=True)
    while line := await asyncio.to_thread(sys.stdin.readline):
        match line.split():
            case ["hold"]:
                device.hold()
            case ["change", count]:
                device.change(int(count))
    running.cancel()


asyncio.run(main())
