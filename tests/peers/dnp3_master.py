"""A master of an independent DNP3 library: `dnp3_master.py PORT`.

Prints `listening 0` when it is ready, then obeys lines of standard input. Each is answered by JSON lines: the values that came, in the order in
which they came, and at last `{"done": ..., "fragments": [...]}` with what each fragment said of itself.

* `connect`, `close`
* `integrity`: reads all events and all present values
* `events`: reads all events
* `range GROUP VARIATION START STOP`: reads some points
* `unconfirmed`: asks for all events, takes the first fragment of the answer, and closes without a confirmation
* `enable`, `disable`: unsolicited responses
* `listen`: waits for one unsolicited response
* `clear`: clears the restart indication
* `clock MILLISECONDS`: measures the delay, then sets the clock
"""

import asyncio
import json
import logging
import sys
from datetime import UTC, datetime, timedelta

from dnp3.application.builder import build_write_request
from dnp3.application.fragment import ObjectBlock
from dnp3.application.qualifiers import ObjectHeader
from dnp3.core.timestamp import DNP3Timestamp
from dnp3.master import Master, MasterConfig, MasterTcpRunner

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def say(**what):
    print(json.dumps(what), flush=True)


class Teller:
    """Tells every value that the library hands over."""

    def tell(self, kind, values):
        for value in values:
            number = value.state if kind == "DoubleBit" else value.value
            time = value.timestamp and (value.timestamp - EPOCH) // timedelta(milliseconds=1)
            say(value={"kind": kind, "index": value.index, "value": float(number), "flags": value.quality, "time": time})

    def on_binary_input(self, values, _):
        self.tell("Binary", values)

    def on_double_bit_input(self, values, _):
        self.tell("DoubleBit", values)

    def on_binary_output(self, values, _):
        self.tell("BinaryOutput", values)

    def on_counter(self, values, _):
        self.tell("Counter", values)

    def on_frozen_counter(self, values, _):
        self.tell("FrozenCounter", values)

    def on_analog_input(self, values, _):
        self.tell("Analog", values)

    def on_analog_output(self, values, _):
        self.tell("AnalogOutput", values)


def described(info):
    return {
        "sequence": info.sequence,
        "indications": int(info.iin),
        "unsolicited": info.is_unsolicited,
        "first": info.fir,
        "last": info.fin,
        "confirm": info.con,
        "cut": str(info.truncation) if info.truncation else None,
        "untimed": info.relative_time_without_cto,
    }


async def obey(runner, words):
    """Does what a line says, and returns the fragments that came of it."""
    master = runner.master

    async def write(group, variation, qualifier, data):
        block = ObjectBlock(header=ObjectHeader(group=group, variation=variation, qualifier=qualifier), data=data)
        return await runner.request(build_write_request((block,), seq=master.next_request_sequence()))

    match words:
        case ["connect"]:
            await runner.open()
        case ["close"]:
            await runner.close()
        case ["integrity"]:
            return await runner.integrity_poll()
        case ["events"]:
            return await runner.class_poll()
        case ["range", *numbers]:
            return await runner.request(master.build_range_poll(*map(int, numbers)))
        case ["unconfirmed"]:
            await runner.send(master.build_class_poll())
            data = await runner._read_fragment_bytes(runner._deadline(None))
            await runner.close()
            return [master.process_response(data)]
        case ["enable"]:
            return await runner.enable_unsolicited()
        case ["disable"]:
            return await runner.disable_unsolicited()
        case ["listen"]:
            return [info] if (info := await runner.listen_unsolicited(timeout=30)) else []
        case ["clear"]:
            return await write(80, 1, 0x00, bytes([7, 7, 0]))
        case ["clock", millis]:
            return [
                *await runner.request(master.build_delay_measure()),
                *await write(50, 1, 0x07, b"\x01" + DNP3Timestamp(int(millis)).to_bytes()),
            ]
    return []


async def main():
    logging.basicConfig(level=logging.WARNING, stream=sys.stderr)
    master = Master(handler=Teller(), config=MasterConfig(address=1, outstation_address=10))
    runner = MasterTcpRunner(master=master, host="127.0.0.1", port=int(sys.argv[1]), response_timeout=30.0)
    print("listening 0", flush=True)
    while line := await asyncio.to_thread(sys.stdin.readline):
        fragments = await obey(runner, line.split())
        say(done=line.split()[0], fragments=[described(info) for info in fragments])


asyncio.run(main())
