"""A regulated line solved by an independent, general-purpose power-flow engine (OpenDSS, through OpenDSSDirect.py).

A regulator (two-winding model: the ratio of type A) between a stiff source behind an impedance and a load at the end of a line, single phase,
generic values; where the case has a second set of settings, another regulator at the end of the line, before the load. Source voltage, load and a solar plant follow the given shapes; the engine's own regulator control moves the taps.

Reads one JSON case from standard input; writes one line a step, and in it for each regulator: source voltage, in-phase and lagging current, tap,
load voltage, and, last, the tap before the step. Voltages on a 120 V base, current per unit of the CT's primary current and relative to the load voltage.
"""

import cmath
import json
import math
import sys

import opendssdirect as dss

KV = 7.2
PT_RATIO = 60.0


def build(case):
    run = dss.Text.Command
    run("clear")
    run(
        f"new circuit.study phases=1 basekv={KV} pu={case['source_pu'][0]} bus1=head "
        f"R1={case['source_ohm'][0]} X1={case['source_ohm'][1]} R0={case['source_ohm'][0]} X0={case['source_ohm'][1]}"
    )
    regulator(case, case["settings"][0], "unit0", "head", "unit")
    run(f"new line.out bus1=unit.1 bus2=far.1 phases=1 length=1 r1={case['line_ohm'][0]} x1={case['line_ohm'][1]} c1=0 c0=0 "
        f"r0={case['line_ohm'][0]} x0={case['line_ohm'][1]}")
    last = "far"
    if len(case["settings"]) > 1:
        regulator(case, case["settings"][1], "unit1", "far", "end")
        last = "end"
    # Model 5 is a load of constant current, 1 of constant power, 2 of constant impedance.
    run(f"new load.load bus1={last}.1 phases=1 kv={KV} kw=100 pf=0.95 model={case['load_model']} vminpu=0.5 vmaxpu=1.5")
    run(f"new generator.solar bus1={last}.1 phases=1 kv={KV} kw=0 pf=1 model=1 vminpu=0.5 vmaxpu=1.5")


def regulator(case, settings, name, bus, out):
    run = dss.Text.Command
    run(
        f"new transformer.{name} phases=1 windings=2 buses=({bus}.1, {out}.1) conns=(wye, wye) kvs=({KV}, {KV}) kvas=(5000, 5000) "
        f"xhl=0.0001 %loadloss=0.00001 %noloadloss=0 wdg=2 maxtap=1.1 mintap=0.9 numtaps=32 tap=1.0"
    )
    run(
        f"new regcontrol.{name} transformer={name} winding=2 vreg={settings['set_v']} band={settings['band_v']} ptratio={PT_RATIO} "
        f"CTprim={case['ct_primary_a']} R={settings['ldc'][0]} X={settings['ldc'][1]} delay={settings['delay_s']} "
        f"tapdelay={case['inter_tap_s']} maxtapchange=1"
    )


def secondary(voltage):
    return abs(voltage) / PT_RATIO


def measure(case, name):
    dss.Circuit.SetActiveElement(f"transformer.{name}")
    volts = dss.CktElement.Voltages()
    amps = dss.CktElement.Currents()
    source, load = complex(volts[0], volts[1]), complex(volts[4], volts[5])
    out = -complex(amps[4], amps[5])
    relative = out * cmath.exp(-1j * cmath.phase(load)) / case["ct_primary_a"]
    return secondary(source), relative.real, -relative.imag, secondary(load)


def tap(name):
    dss.Transformers.Name(name)
    dss.Transformers.Wdg(2)
    return round((dss.Transformers.Tap() - 1.0) / 0.00625)


def apply(case, step):
    dss.Vsources.Name("source")
    dss.Vsources.PU(case["source_pu"][step])
    dss.Loads.Name("load")
    dss.Loads.kW(case["load_kw"][step])
    dss.Loads.PF(0.95)
    dss.Generators.Name("solar")
    dss.Generators.kW(case["solar_kw"][step])


def main():
    case = json.load(sys.stdin)
    steps, dt_s = len(case["load_kw"]), case["dt_s"]
    build(case)
    run = dss.Text.Command
    # Settle before the day starts: the engine moves the tap until the control is content.
    run("set mode=snapshot controlmode=static maxcontroliter=100")
    apply(case, 0)
    dss.Solution.Solve()
    run(f"set mode=duty stepsize={dt_s}s number=1 hour=0 sec=0 controlmode={case['control_mode']} maxcontroliter=100")
    units = [f"unit{place}" for place in range(len(case["settings"]))]
    out = []
    for step in range(steps):
        before = [tap(name) for name in units]
        apply(case, step)
        dss.Solution.Solve()
        if not dss.Solution.Converged():
            sys.exit(f"step {step} did not converge")
        fields = []
        for name, old in zip(units, before):
            vs, p, q, vl = measure(case, name)
            fields.append(f"{vs:.9f} {p:.9f} {q:.9f} {tap(name)} {vl:.9f} {old}")
        out.append(" ".join(fields))
    print("\n".join(out))


main()
