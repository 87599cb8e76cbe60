"""A control for two regulators as an independent Modbus TCP server: `control.py STORY [PORT]`.

Prints `listening PORT`, then one JSON line each time it is polled: what it served, decoded by its own arithmetic. Its layout is
unlike any that comes with the program:

* load voltage: 32-bit float, least significant word first, input register 7
* source voltage: 0.1 V in 16 bits, input register 20; 0xFFFF while it has none, which is every fourth poll
* current: 0.05 A in 16 bits, input register 31
* real power: 0.5 kW in 16 bits, signed, input register 33
* tap: 16 bits, signed, input register 34
* operations: 16 bits, input register 40; begins shortly before it rolls over
* reactive power: input register 90, which answers with the exception "server device failure"
* set voltage: 0.01 V in 16 bits, holding register 3
* automatic: discrete input 5

The second regulator has the same 200 addresses further on. STORY is what happens:

* `plain`: every value differs from poll to poll
* `reverse SEED`: power reverses and comes back at instants of the wall clock drawn from the seed
"""

import asyncio
import json
import math
import random
import struct
import sys
import time

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

STRIDE = 200
FIRST = 7
BROKEN = 90


def float_words(value):
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return [low, high]


def as_float32(value):
    return struct.unpack(">f", struct.pack(">f", value))[0]


class Plain:
    """Values by which each poll can be told from every other."""

    def power(self, poll, position):
        return (-1) ** (poll // 7) * (300 + poll % 100 + position)


class Reverse:
    """Power that turns round every few seconds, each regulator in its own time."""

    def __init__(self, seed):
        self.random = random.Random(seed)
        self.turn = {1: 0.0, 2: 0.0}
        self.sign = {1: -1, 2: -1}

    def power(self, _poll, position):
        now = time.monotonic()
        if now >= self.turn[position]:
            self.turn[position] = now + self.random.uniform(1.0, 4.0)
            self.sign[position] = -self.sign[position]
        return self.sign[position] * 400


class Control:
    def __init__(self, story):
        self.story = story
        self.poll = 0

    def values(self, position):
        """Raw registers by address, and what they mean."""
        n = self.poll
        voltage = as_float32(118.0 + (n % 4000) * 0.0005 + position * 0.0001)
        source = 0xFFFF if n % 4 == 3 else 1160 + n % 50
        current = 1000 + n % 500
        power = self.story.power(n, position)
        tap = n % 9 - 4
        operations = (65520 + n * position) % 65536
        raw = {
            7: float_words(voltage),
            20: [source],
            31: [current],
            33: [power & 0xFFFF],
            34: [tap & 0xFFFF],
            40: [operations],
        }
        told = {
            "load_voltage": voltage,
            "source_voltage": None if source == 0xFFFF else source * 0.1,
            "current": current * 0.05,
            "real_power": power * 0.5,
            "reactive_power": None,
            "tap": tap,
            "operations": operations,
            "set_voltage": 120.25,
            "automatic": True,
        }
        return raw, told

    async def on_read(self, function, start, address, count, registers, written):
        if written is not None:
            print(json.dumps({"written": address}), flush=True)
        if function != 4:
            return None
        for position in (1, 2):
            broken = BROKEN + STRIDE * (position - 1)
            if address <= broken < address + count:
                return ExcCodes.DEVICE_FAILURE
        if address <= FIRST < address + count:
            self.poll += 1
            told = {"poll": self.poll, "at": time.time()}
            for position in (1, 2):
                raw, told[str(position)] = self.values(position)
                for base, words in raw.items():
                    offset = base + STRIDE * (position - 1) - start
                    registers[offset : offset + len(words)] = words
            print(json.dumps(told), flush=True)
        return None


def device(control):
    size = 2 * STRIDE + 16
    registers = [SimData(0, count=size, values=0, datatype=DataType.REGISTERS)]
    holding = [SimData(0, values=[12025 if a % STRIDE == 3 else 0 for a in range(size)], datatype=DataType.REGISTERS)]
    bits = math.ceil(size / 16) * 16
    discrete = [SimData(0, values=[a % STRIDE == 5 for a in range(bits)], datatype=DataType.BITS)]
    coils = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    return SimDevice(1, simdata=(coils, discrete, holding, registers), action=control.on_read)


async def main():
    stories = {"plain": lambda: Plain(), "reverse": lambda: Reverse(int(sys.argv[2]))}
    control = Control(stories[sys.argv[1]]())
    server = ModbusTcpServer(device(control), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    print("listening", server.transport.sockets[0].getsockname()[1], flush=True)
    await asyncio.Event().wait()


asyncio.run(main())
