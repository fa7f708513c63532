"""Charging systems solved by ngspice (39.3, Debian's package), which share no code and no
formula with the project: a limited source behind a regulator, cable, battery and loads.

    python3 ngspice_reference.py ../data/ngspice

writes one netlist (.cir) and one trace (.csv) a car, and index.json. The numbers are
invented, drawn from ranges that are common practice, no source. Made once, and not made
again to suit a result: half of the cars (odd numbers) was not looked at while anything was
chosen.
"""

import json
import math
import pathlib
import random
import subprocess
import sys

COUNT = 30
SAMPLES_PER_S = 5
SPEEDS = {"rest": 0.0, "crank": 190.0}


def car(number):
    """A car and its day: phases (end, rpm) and loads (amps at 13.5 V, on from, on to)."""
    rng = random.Random(90_000 + number)
    idle = rng.uniform(680, 920)
    top = rng.uniform(1900, 2800)
    loads = [rng.uniform(6, 32) for _ in range(rng.randint(3, 5))]
    base = rng.uniform(9, 22)
    total = base + sum(loads)
    # A third has enough at idle, a third at speed only, a third never.
    kind = ("ample", "short at idle", "short")[number % 3]
    ratio = rng.uniform(2.1, 3.0)
    shape = rng.uniform(1500, 2600)
    cut_in = rng.uniform(900, 1300)

    def share(rpm):
        return 1 - math.exp(-max(rpm * ratio - cut_in, 0) / shape)

    if kind == "ample":
        rated = (total + rng.uniform(12, 40)) / share(idle)
    elif kind == "short at idle":
        rated = (total + rng.uniform(10, 25)) / share(top)
        # Short at idle in truth, whatever the draw.
        rated = min(rated, (total - rng.uniform(6, 15)) / share(idle))
    else:
        rated = (total - rng.uniform(10, 25)) / share(top)
    resistance = rng.uniform(0.005, 0.012)
    t = [25.0, 26.2]
    phases = [(25.0, 0.0), (26.2, SPEEDS["crank"])]
    at = 26.2 + rng.uniform(40, 70)
    switched = []
    for amps in loads:
        switched.append((amps, at, None))
        at += rng.uniform(25, 50)
    phases.append((at, idle))
    at += rng.uniform(45, 70)
    phases.append((at, top))
    # Back to idle, loads off one by one.
    end_of_speed = at
    at += rng.uniform(30, 50)
    done = []
    for amps, on, _ in switched:
        done.append((amps, on, at))
        at += rng.uniform(15, 30)
    at += 20
    phases.append((at, idle))
    return {
        "number": number,
        "kind": kind,
        "rated_a": rated,
        "ratio": ratio,
        "shape": shape,
        "cut_in": cut_in,
        "setpoint_v": rng.uniform(13.9, 14.6),
        "gain_a_per_v": rng.uniform(600, 2500),
        "response_s": rng.uniform(0.05, 0.3),
        "line_ohm": rng.uniform(0.001, 0.004),
        "idle_rpm": idle,
        "top_rpm": top,
        "base_a": base,
        "loads": done,
        "phases": phases,
        "end_of_speed_s": end_of_speed,
        "battery": {
            "capacity_ah": rng.uniform(45, 90),
            "open_v": rng.uniform(12.45, 12.72),
            "ohmic": 0.5 * resistance,
            "fast": (0.3 * resistance, rng.uniform(2, 5)),
            "slow": (0.7 * resistance, rng.uniform(60, 200)),
            "charging_ohm": rng.uniform(0.02, 0.06),
        },
        "noise_v": rng.uniform(0.003, 0.02),
    }


def steps(points):
    """Piecewise linear with edges of 20 ms."""
    text = []
    last = None
    for at, value in points:
        if last is not None:
            text.append(f"{at - 0.01:.4f} {last:.6g} {at + 0.01:.4f} {value:.6g}")
        else:
            text.append(f"0 {value:.6g}")
        last = value
    return " ".join(text)


def netlist(c):
    b = c["battery"]
    speed = [(0.0, 0.0)]
    for (_, _), (start, _), (_, rpm) in zip([(0, 0)] + c["phases"], c["phases"], c["phases"][1:]):
        speed.append((start, rpm))
    # Speed changes take 1.5 s, a starter none.
    points = ["0 0"]
    last = 0.0
    for at, rpm in speed[1:]:
        ramp = 0.05 if rpm == SPEEDS["crank"] else 1.5
        points.append(f"{at:.4f} {last:.6g} {at + ramp:.4f} {rpm:.6g}")
        last = rpm
    end = c["phases"][-1][0]
    lines = [
        f"* car {c['number']}: {c['kind']}; invented",
        f"Vrpm rpm 0 PWL({' '.join(points)})",
        # What the machine can give at its speed, nothing below its cut-in.
        f"Bmax most 0 V = V(rpm) > 400 ? {c['rated_a']:.6g} * (1 - exp(-max(V(rpm)*{c['ratio']:.6g} - {c['cut_in']:.6g}, 0)/{c['shape']:.6g})) : 0",
        # The regulator senses the battery and asks for current; the field lags.
        f"Bask ask 0 V = min(V(most), max(0, {c['gain_a_per_v']:.6g}*({c['setpoint_v']:.6g} - V(bat))))",
        f"Rlag ask field {c['response_s'] * 1e3:.6g}",
        "Clag field 0 1e-3 IC=0",
        "Balt 0 alt I = min(V(field), V(most))",
        f"Rline alt bat {c['line_ohm']:.6g}",
        "Rpost alt 0 1e6",
        # Battery: open circuit that moves with charge, two time constants, and a charge
        # transfer that is easy out and hard in.
        f"Cocv ocv 0 {b['capacity_ah'] * 3600 / 0.75:.6g} IC={b['open_v']:.6g}",
        f"Rfast ocv n1 {b['fast'][0]:.6g}",
        f"Cfast ocv n1 {b['fast'][1] / b['fast'][0]:.6g} IC=0",
        f"Rslow n1 n2 {b['slow'][0]:.6g}",
        f"Cslow n1 n2 {b['slow'][1] / b['slow'][0]:.6g} IC=0",
        f"Bin n3 n2 V = I(Vamm) > 0 ? {b['charging_ohm']:.6g}*I(Vamm) : {0.25 * b['ohmic']:.6g}*I(Vamm)",
        f"Rohm n4 n3 {0.75 * b['ohmic']:.6g}",
        "Vamm bat n4 0",
        # Loads in the middle of constant current and constant resistance.
        f"Bbase bat 0 I = V(rpm) > 100 ? {c['base_a']:.6g}*sqrt(max(V(bat),1)/13.5) : 0.3",
        "Bstart bat 0 I = V(rpm) > 100 && V(rpm) < 400 ? 180 : 0",
    ]
    for k, (amps, on, off) in enumerate(c["loads"]):
        lines.append(f"Von{k} on{k} 0 PWL({steps([(0, 0), (on, 1), (off, 0)])})")
        lines.append(f"Bload{k} bat 0 I = V(on{k})*{amps:.6g}*sqrt(max(V(bat),1)/13.5)")
    step = 1.0 / SAMPLES_PER_S
    lines += [
        ".options reltol=1e-4 method=gear",
        f".tran {step} {end:.3f} 0 0.02 uic",
        ".control",
        "run",
        "set wr_singlescale",
        "set numdgt=7",
        f"linearize v(bat) v(rpm) i(vamm) v(most) v(field)",
        "wrdata out.txt v(bat) v(rpm) i(vamm) v(most) v(field)",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def main(folder):
    folder = pathlib.Path(folder)
    index = []
    for number in range(COUNT):
        c = car(number)
        name = f"car-{number:02}"
        (folder / f"{name}.cir").write_text(netlist(c))
        # Without a plot the batch run ends with 1, whatever it solved: its output tells.
        (folder / "out.txt").unlink(missing_ok=True)
        subprocess.run(["ngspice", "-b", f"{name}.cir"], cwd=folder, capture_output=True)
        rng = random.Random(91_000 + number)
        rows = ["time (s),battery voltage (V),engine rpm" + "".join(
            f",load {k + 1} (on/off)" for k in range(len(c["loads"]))
        ) + ",true battery (A),true most (A),true alternator (A)"]
        for line in (folder / "out.txt").read_text().splitlines():
            t, bat, rpm, amps, most, field = map(float, line.split()[:6])
            volts = round((bat + rng.gauss(0, c["noise_v"])) / 0.01) * 0.01
            on = "".join(
                f",{int(start <= t < end)}" for _, start, end in c["loads"]
            )
            rows.append(
                f"{t:.2f},{volts:.2f},{rpm + rng.gauss(0, 4) if rpm else 0:.0f}{on},{amps:.2f},{most:.1f},{min(field, most):.2f}"
            )
        (folder / f"{name}.csv").write_text("\n".join(rows) + "\n")
        index.append({"file": f"{name}.csv", **c})
    (folder / "out.txt").unlink()
    (folder / "index.json").write_text(json.dumps(index, indent=1) + "\n")


main(sys.argv[1])
