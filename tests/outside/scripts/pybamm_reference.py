"""Writes data/pybamm/: voltage traces of a simulated 12 V lead-acid battery, its current known.

Run with PyBaMM installed (pip install pybamm==26.10.1.1):  python pybamm_reference.py
Models, scaling, the one addition to the stock models and their limits: data/pybamm/README.md.
Currents here follow the car's sign, positive into the battery; PyBaMM's own is the opposite.
"""

import json
import pathlib
from importlib.metadata import version

import numpy as np
import pybamm

OUT = pathlib.Path(__file__).resolve().parent.parent / "data" / "pybamm"
PERIOD_S = 0.1
CELLS = 6
SET_CAPACITY_AH = 17.0  # Sulzer2019: nominal capacity of the cell ...
SET_PLATES = 8.0  # ... of eight electrode pairs in parallel
AMBIENT_K = 298.15
CCA_PER_AH = 9.0  # common practice, no source
USUAL_OHM_AH = 0.005 * 60  # 5 milliohms for 60 Ah at 25 C, common practice, no source

MODELS = {"LOQS": pybamm.lead_acid.LOQS, "Full": pybamm.lead_acid.Full}


class AreaLimited(pybamm.kinetics.SymmetricButlerVolmer):
    """Butler-Volmer kinetics on the area that the reaction still has.

    Charging eats lead sulphate, so its area is s^xi of the full one, s being the share of the
    electrode turned to sulphate; discharging has (1 - s)^xi. The law is that of porous-electrode
    lead-acid models (Gu, Wang, Liaw, J. Electrochem. Soc. 144, 2053, 1997; from memory).
    Sulzer2019 carries its exponent xi = 0.6 ("morphological parameter"), which PyBaMM reads and
    does not use. s follows from the porosity, which the model tracks.
    """

    LEAST_SHARE = 1e-4  # keeps the power finite when no sulphate is left
    SIGN_PER_V = 500.0  # charge and discharge areas blend over about 2 mV of overpotential

    def get_coupled_variables(self, variables):
        domain, Domain = self.domain_Domain
        self._local = variables[f"{Domain} electrode porosity"]
        self._mean = variables[f"X-averaged {domain} electrode porosity"]
        return super().get_coupled_variables(variables)

    def _get_kinetics(self, j0, ne, eta_r, T, u):
        electrode = self.param.domain_params[self.domain]
        is_local = eta_r.domain == [f"{self.domain} electrode"]
        porosity = self._local if is_local else self._mean
        coulombs = (electrode.eps_max - porosity) * self.param.F / abs(electrode.DeltaVsurf)
        sulphate = coulombs / electrode.Q_max
        left = pybamm.maximum(sulphate, 0) + self.LEAST_SHARE
        rest = pybamm.maximum(1 - sulphate, self.LEAST_SHARE)
        charging_sign = 1 if self.domain == "positive" else -1
        charging = pybamm.sigmoid(0, charging_sign * eta_r, self.SIGN_PER_V)
        area = charging * left**electrode.xi + (1 - charging) * rest**electrode.xi
        return super()._get_kinetics(j0, ne, eta_r, T, u * area)


def build(model, charging):
    built = MODELS[model]({"surface form": "differential"}, build=False)
    if charging == "area-limited":
        for domain in ("negative", "positive"):
            name = f"{domain} interface"
            name = name if model == "Full" else f"leading-order {name}"
            built.submodels[name] = AreaLimited(
                built.param, domain, "lead-acid main", built.options, "primary"
            )
    built.build_model()
    return built


# Of transport in the acid and of the reactions, about 25 °C: 2 % a kelvin (acid's conductivity and
# diffusivity, from memory) and 40 kJ/mol (from memory). The set carries neither.
ACID_PER_K = 0.02
REACTION_J_PER_MOL = 40e3


def scaled(value, factor):
    """A parameter of the set, a number or a function, times a number."""
    if callable(value):
        return lambda *args, **kwargs: factor * value(*args, **kwargs)
    return factor * value


def warmth(values, kelvin):
    """What a battery that is not at 25 °C has otherwise."""
    acid = np.exp(ACID_PER_K * (kelvin - AMBIENT_K))
    reaction = np.exp(REACTION_J_PER_MOL / 8.314 * (1 / AMBIENT_K - 1 / kelvin))
    factors = {
        "Electrolyte conductivity [S.m-1]": acid,
        "Electrolyte diffusivity [m2.s-1]": acid,
        "Positive electrode exchange-current density [A.m-2]": reaction,
        "Negative electrode exchange-current density [A.m-2]": reaction,
    }
    return {name: scaled(values[name], factor) for name, factor in factors.items()}


def parameters(capacity_ah, kelvin=AMBIENT_K):
    values = pybamm.ParameterValues("Sulzer2019")
    if kelvin != AMBIENT_K:
        values.update(warmth(values, kelvin))
    values.update(
        {
            "Number of electrodes connected in parallel to make a cell": SET_PLATES
            * capacity_ah
            / SET_CAPACITY_AH,
            "Nominal cell capacity [A.h]": capacity_ah,
            "Ambient temperature [K]": kelvin,
            "Initial temperature [K]": kelvin,
            # the set's cut-offs (1.75 and 2.42 V a cell) would end a crank or a hold
            "Lower voltage cut-off [V]": 0.5,
            "Upper voltage cut-off [V]": 3.5,
        }
    )
    return values


def simulate(model, charging, capacity_ah, steps, kelvin=AMBIENT_K):
    simulation = pybamm.Simulation(
        build(model, charging),
        parameter_values=parameters(capacity_ah, kelvin),
        experiment=pybamm.Experiment(steps),
        solver=pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-8),
    )
    solution = simulation.solve()
    cycles = [cycle for cycle in solution.cycles if cycle is not None]
    if len(cycles) < len(steps):
        raise RuntimeError(f"stopped in step {len(cycles)} of {len(steps)}: {solution.termination}")
    return cycles


def amps(into_battery_a, seconds, until_v=None, period=PERIOD_S):
    until = [] if until_v is None else [pybamm.step.VoltageTermination(until_v, ">")]
    return pybamm.step.current(
        -into_battery_a, duration=seconds, period=period, termination=until or None
    )


def history(capacity_ah, soc0):
    """From full: out at the ten-hour rate, then four hours of nothing."""
    out_s = max((1 - soc0) * 10 * 3600, 1)
    return [amps(-capacity_ah / 10, out_s, period=60), amps(0, 4 * 3600, period=60)]


LONGEST_RISE_S = 120
RANDOM_RISE_S = 1800  # a low battery takes all that a weak alternator has for minutes
LOQS_LEAD_OHM = 0.0002


def hold(spec, seconds):
    """Charging at the alternator's limit up to the setpoint, then the setpoint.

    LOQS has no resistance in series with its double layer, so a voltage fixed at its posts leaves
    the current undetermined (an index-2 system); it is held through a lead of 0.2 milliohms.
    """
    setpoint_v, limit_a = spec["setpoint_v"], spec["limit_a"]
    lead_ohm = spec["series_ohm"] or (LOQS_LEAD_OHM if spec["model"] == "LOQS" else 0.0)
    period = spec["period_s"]
    until_v = setpoint_v - lead_ohm * limit_a
    rise = amps(limit_a, spec["rise_s"], until_v=until_v, period=period)
    if lead_ohm > 0.0:

        def residual(variables):
            drop_v = lead_ohm * variables["Current [A]"]
            return variables["Battery voltage [V]"] - drop_v - setpoint_v

        held = pybamm.step.CustomStepImplicit(residual, duration=seconds, period=period)
    else:
        # a voltage step is set in volts a cell
        held = pybamm.step.voltage(setpoint_v / CELLS, duration=seconds, period=period)
    return [rise, held]


def schedule(spec):
    kinds, steps = [], []
    for kind, *what in spec["program"]:
        if kind == "hold":
            kinds += ["slip", "hold"]
            steps += hold(spec, what[0])
        else:
            kinds.append(kind)
            steps.append(amps(0 if kind == "rest" else what[0], what[-1], period=spec["period_s"]))
    return kinds, steps


def sampled(cycles, kinds, spec):
    """One even clock over all steps; a sample on an edge belongs to the step that starts there.

    Voltage at the posts: grids, straps and posts in series with the set's cells.
    """
    period_s = spec["period_s"]
    start = cycles[0]["Time [s]"].entries[0]
    segments, rows = [], []
    for cycle, kind in zip(cycles, kinds):
        t = cycle["Time [s]"].entries - start
        i = -cycle["Current [A]"].entries
        v = cycle["Battery voltage [V]"].entries + spec["series_ohm"] * i
        first, last = (int(np.ceil(round(edge / period_s, 6))) for edge in (t[0], t[-1]))
        clock = np.arange(first, last) * period_s
        rows += zip(clock, np.interp(clock, t, v), np.interp(clock, t, i))
        mean = np.trapezoid(i, t) / (t[-1] - t[0])
        segments.append(
            {
                "start_s": round(float(t[0]), 2),
                "end_s": round(float(t[-1]), 2),
                "kind": kind,
                "current_a": round(float(mean), 2) + 0.0,
                "voltage_end_v": round(float(v[-1]), 3),
            }
        )
    return segments, rows


def car(crank_a, hold_s, drains, again_s, drain, slips, last):
    """Rest, start, hold, drains in steps, hold again, a long drain, partial charge, a last drain."""
    return [
        ("rest", 30),
        ("crank", -crank_a, 1),
        ("hold", hold_s),
        *(("drain", -a, s) for a, s in drains),
        ("hold", again_s),
        ("drain", -drain[0], drain[1]),
        *(("slip", a, s) for a, s in slips),
        ("drain", -last[0], last[1]),
    ]


def slipping(crank_a, charge, drains, slips, last):
    """A low battery that takes all the alternator has and never comes up to the setpoint."""
    return [
        ("rest", 30),
        ("crank", -crank_a, 1),
        ("slip", *charge),
        *(("drain", -a, s) for a, s in drains),
        *(("slip", a, s) for a, s in slips),
        ("drain", -last[0], last[1]),
        ("rest", 30),
    ]


STEPS_A = [(10, 30), (22, 30), (40, 30)]
STEPS_B = [(5, 40), (15, 40), (30, 40)]
STEPS_C = [(45, 20), (25, 40), (10, 30)]


def trace(model, charging, capacity_ah, soc0, setpoint_v, limit_a, program, celsius=25.0,
          series_ohm=0.0, period_s=PERIOD_S, rise_s=LONGEST_RISE_S, name=None, worn=None):
    short = "area" if charging == "area-limited" else "stock"
    name = name or f"{model.lower()}-{short}-{capacity_ah:.0f}ah-soc{round(soc0 * 100):02d}"
    return dict(name=name, model=model, charging=charging, capacity_ah=float(capacity_ah),
                soc0=soc0, setpoint_v=setpoint_v, limit_a=limit_a, program=program,
                celsius=celsius, series_ohm=series_ohm, period_s=period_s,
                rise_s=rise_s, worn=worn)


RANDOM_SEED, RANDOM_TRACES = 20261130, 48
RANDOM_PERIOD_S = 0.5


def random_trace(k):
    """Another battery, temperature, charge and series resistance each, twice a second."""
    rng = np.random.default_rng([RANDOM_SEED, k])
    capacity_ah = float(round(rng.uniform(36, 110)))
    share = capacity_ah / 60
    celsius = float(round(rng.uniform(-8, 48)))
    # grids, straps and posts of a 60 Ah starter battery: 1 to 5 milliohms in all
    series_ohm = round(rng.uniform(0.001, 0.005) / share, 5)
    soc0 = round(rng.uniform(0.55, 0.97), 2)

    def drains(count):
        return [(round(share * rng.uniform(3, 55), 1), int(rng.integers(20, 70))) for _ in range(count)]

    def slips(count):
        return [(round(rng.uniform(1, 10), 1), int(rng.integers(20, 40))) for _ in range(count)]

    crank_a = round(share * rng.uniform(120, 280), 1)
    if rng.uniform() < 0.3:
        charge = (round(share * rng.uniform(20, 60), 1), int(rng.integers(40, 120)))
        program = slipping(crank_a, charge, drains(4), slips(2), drains(1)[0])
        setpoint_v = limit_a = None
    else:
        setpoint_v = round(rng.uniform(13.7, 14.7), 2)
        limit_a = round(share * rng.uniform(90, 150), 1)
        program = car(crank_a, int(rng.integers(60, 240)), drains(4), int(rng.integers(30, 90)),
                      drains(1)[0], slips(2), drains(1)[0])
    # a label says what the battery was when new: up to 1.6 times what it is
    worn = round(0.8 * 2 ** np.random.default_rng([RANDOM_SEED, k, 1]).uniform(), 2)
    model = "LOQS" if k % 4 == 3 else "Full"
    return trace(model, A, capacity_ah, soc0, setpoint_v, limit_a, program, celsius, series_ohm,
                 RANDOM_PERIOD_S, RANDOM_RISE_S, f"random-{k:02d}", worn)


A, S = "area-limited", "stock"
TRACES = [
    trace("Full", A, 45, 0.95, 14.4, 75, car(150, 90, STEPS_B, 60, (20, 60), [(5, 20), (2, 20), (10, 20)], (35, 30))),
    trace("Full", A, 45, 0.85, 14.0, 90, car(180, 60, STEPS_A, 45, (15, 60), [(2, 20), (5, 20), (10, 20)], (25, 30))),
    trace("Full", A, 60, 0.95, 14.4, 95, car(200, 120, STEPS_A, 60, (20, 60), [(2, 20), (5, 20), (10, 20)], (30, 30))),
    trace("Full", A, 60, 0.90, 14.2, 100, car(220, 90, STEPS_C, 60, (12, 90), [(1, 20), (4, 20), (8, 20)], (45, 30))),
    trace("Full", A, 60, 0.85, 14.0, 110, car(200, 60, STEPS_B, 30, (35, 40), [(10, 20), (5, 20), (2, 20)], (20, 40))),
    trace("Full", A, 90, 0.95, 14.6, 150, car(300, 120, STEPS_C, 60, (30, 60), [(5, 20), (2, 20), (10, 20)], (45, 40))),
    trace("Full", A, 90, 0.90, 14.1, 140, car(250, 60, STEPS_A, 45, (20, 90), [(3, 20), (6, 20), (10, 20)], (40, 30))),
    trace("Full", A, 60, 0.70, None, None, slipping(200, (50, 60), STEPS_A, [(2, 30), (5, 30), (10, 30)], (20, 40))),
    trace("Full", A, 90, 0.60, None, None, slipping(250, (60, 60), STEPS_C, [(10, 30), (5, 30), (2, 30)], (30, 40))),
    trace("LOQS", A, 45, 0.95, 14.3, 75, car(150, 90, STEPS_A, 60, (15, 60), [(2, 20), (5, 20), (10, 20)], (30, 30))),
    trace("LOQS", A, 60, 0.95, 14.4, 90, car(200, 90, STEPS_C, 60, (20, 60), [(5, 20), (2, 20), (10, 20)], (40, 30))),
    trace("LOQS", A, 60, 0.85, 14.0, 130, car(200, 60, STEPS_B, 45, (25, 60), [(1, 20), (5, 20), (10, 20)], (35, 30))),
    trace("LOQS", A, 90, 0.95, 14.5, 150, car(300, 90, STEPS_B, 60, (45, 40), [(3, 20), (6, 20), (10, 20)], (20, 40))),
    trace("Full", S, 60, 0.90, 13.3, 75, car(200, 60, STEPS_A, 45, (20, 60), [(2, 20), (5, 20), (10, 20)], (30, 30))),
    trace("Full", S, 45, 0.75, None, None, slipping(150, (40, 60), STEPS_B, [(2, 20), (5, 20), (10, 20)], (25, 40))),
    trace("LOQS", S, 45, 0.95, 13.3, 60, car(150, 60, STEPS_C, 45, (15, 60), [(5, 20), (2, 20), (10, 20)], (35, 30))),
    trace("LOQS", S, 60, 0.80, None, None, slipping(200, (50, 60), STEPS_A, [(2, 20), (5, 20), (10, 20)], (30, 40))),
]  # fmt: skip
TRACES += [random_trace(k) for k in range(RANDOM_TRACES)]


def run(spec):
    kinds, steps = schedule(spec)
    before = history(spec["capacity_ah"], spec["soc0"])
    cycles = simulate(spec["model"], spec["charging"], spec["capacity_ah"], before + steps,
                      spec["celsius"] + 273.15)
    segments, rows = sampled(cycles[len(before):], kinds, spec)
    for rise, following in zip(segments, segments[1:]):
        rise_s = rise["end_s"] - rise["start_s"]
        if following["kind"] == "hold" and rise_s > spec["rise_s"] - 0.01:
            raise RuntimeError(f"{spec['name']}: {spec['setpoint_v']} V not reached")
    return segments, rows


def label(spec):
    """Amps on the label, and how they came about."""
    per_ah = f"common practice, about {CCA_PER_AH:.0f} A per Ah, no source"
    if spec["worn"] is None:
        return CCA_PER_AH * spec["capacity_ah"], per_ah
    drawn_a = 2.0 * spec["capacity_ah"]
    steps = [amps(0, 10, period=1), amps(-drawn_a, 10, period=1)]
    rest, drain = simulate(spec["model"], spec["charging"], spec["capacity_ah"], steps)
    fell_v = (rest["Battery voltage [V]"].entries - drain["Battery voltage [V]"].entries)[-1]
    own_ohm = fell_v / drawn_a + spec["series_ohm"]
    new_a = CCA_PER_AH * USUAL_OHM_AH / own_ohm
    return round(new_a * spec["worn"]), (
        f"{per_ah}, of a usual {1e3 * USUAL_OHM_AH / spec['capacity_ah']:.1f} mOhm; this one has"
        f" {1e3 * own_ohm:.1f} (full, 25 C, 10 s); times {spec['worn']:.2f} for wear"
    )


def write(spec, segments, rows):
    file = f"{spec['name']}.csv"
    plates = SET_PLATES * spec["capacity_ah"] / SET_CAPACITY_AH
    with open(OUT / file, "w", newline="\n") as out:
        out.write(
            f"# simulated: PyBaMM {version('pybamm')}, lead_acid.{spec['model']}, surface form differential,"
            f" Sulzer2019, kinetics {spec['charging']}; {CELLS} cells, {plates:.2f} electrode pairs"
            f" ({spec['capacity_ah']:.0f} Ah), {spec['celsius']:.0f} C, soc0 {spec['soc0']},"
            f" {1e3 * spec['series_ohm']:.2f} mOhm in series;"
            " written by tests/outside/scripts/pybamm_reference.py\n"
        )
        out.write("time_s,voltage_v,battery_current_a\n")
        for t, v, i in rows:
            out.write(f"{t:.1f},{v:.3f},{i + 0.0:.2f}\n".replace(",-0.00\n", ",0.00\n"))
    cca_a, cca_how = label(spec)
    return {
        "file": file,
        "model": spec["model"],
        "charging": spec["charging"],
        "capacity_ah": spec["capacity_ah"],
        "cca_a": cca_a,
        "cca_how": cca_how,
        "soc0": spec["soc0"],
        "temperature_c": spec["celsius"],
        "series_ohm": spec["series_ohm"],
        "rest_voltage_v": segments[0]["voltage_end_v"],
        "setpoint_v": spec["setpoint_v"],
        "segments": segments,
    }


def main():
    OUT.mkdir(parents=True, exist_ok=True)
    index = {
        "source": f"PyBaMM {version('pybamm')}, Sulzer2019; see README.md",
        "sign": "current positive into the battery",
        "traces": [write(spec, *run(spec)) for spec in TRACES],
    }
    (OUT / "index.json").write_text(json.dumps(index, indent=1) + "\n")


if __name__ == "__main__":
    main()
