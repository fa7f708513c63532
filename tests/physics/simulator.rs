//! The simulator against conservation laws, its own step size, and the trade's ranges.

use stiffbus::demo::logger::Shows;
use stiffbus::demo::simulate::simulate_in_steps;
use stiffbus::diagnosis::{BusState, PhaseKind};
use stiffbus::log::Tap;

use crate::random_car::{Options, random_case, random_case_with};

/// Halving the step again and again must not move the truth: 10 ms against 2 ms.
#[test]
fn truth_does_not_depend_on_the_step() {
    for seed in 0..4 {
        let mut case = random_case(seed);
        // Rest, crank, start and the first switches; longer shows no more.
        case.script.duration_s = 150.0;
        let coarse = simulate_in_steps(&case.car, &case.script, &case.logger, seed, 0.010);
        let fine = simulate_in_steps(&case.car, &case.script, &case.logger, seed, 0.002);
        let pairs = coarse.truth.samples.bus_v.iter().zip(&fine.truth.samples.bus_v);
        let apart: Vec<f64> = pairs.map(|(a, b)| (a - b).abs()).collect();
        let mean = apart.iter().sum::<f64>() / apart.len() as f64;
        let far = apart.iter().filter(|&&d| d > 0.02).count();
        assert!(mean < 0.001, "seed {seed}: mean difference {mean} V");
        // Only samples on the edge of a switch or a crank may differ.
        assert!(far * 100 < apart.len(), "seed {seed}: {far} of {} samples differ", apart.len());
    }
}

/// Truth at a moment is the same however often the logger looks.
#[test]
fn truth_does_not_depend_on_the_sample_rate() {
    let case = random_case_with(7, &Options { plain_dialect: true, ..Options::default() });
    let mut slow = case.logger.clone();
    (slow.samples_per_s, slow.jitter_share) = (5.0, 0.0);
    let mut fast = slow.clone();
    fast.samples_per_s = 50.0;
    let slow = simulate_in_steps(&case.car, &case.script, &slow, 7, 0.005);
    let fast = simulate_in_steps(&case.car, &case.script, &fast, 7, 0.005);
    let every_tenth: Vec<f64> = fast.truth.samples.bus_v.iter().step_by(10).copied().collect();
    let shared = every_tenth.len().min(slow.truth.samples.bus_v.len());
    assert!(shared > 1000);
    assert_eq!(every_tenth[..shared], slow.truth.samples.bus_v[..shared]);
}

/// Charge is conserved: what flowed into the battery is what its state of charge gained.
#[test]
fn battery_charge_balances() {
    for seed in [3, 11] {
        let options = Options { samples_per_s: Some(100.0), ..Options::default() };
        let mut case = random_case_with(seed, &options);
        case.logger.jitter_share = 0.0;
        let run = simulate_in_steps(&case.car, &case.script, &case.logger, seed, 0.005);
        let battery_a = &run.truth.samples.battery_a;
        let flowed_as: f64 = run
            .time_s
            .windows(2)
            .zip(battery_a.windows(2))
            .map(|(t, a)| (t[1] - t[0]) * (a[0] + a[1]) / 2.0)
            .sum();
        let battery = &run.truth.battery;
        let gained_as = (battery.state_of_charge_end - battery.state_of_charge_start)
            * battery.capacity_ah
            * 3600.0;
        let moved_as: f64 = battery_a.iter().map(|a| a.abs() / 100.0).sum();
        assert!(moved_as > 100.0);
        assert!(
            (flowed_as - gained_as).abs() < 0.01 * moved_as,
            "seed {seed}: {flowed_as} A·s flowed, {gained_as} A·s gained"
        );
    }
}

/// Over many cars every state is met, no number is lost, and phases are in order.
#[test]
fn random_cars_cover_every_state() {
    let (mut holding, mut slipping, mut draining) = (0, 0, 0);
    for seed in 100..130 {
        let case = random_case(seed);
        let truth = &case.simulated.truth;
        let running = |t: f64| {
            truth
                .phases
                .iter()
                .any(|p| p.kind == PhaseKind::Running && (p.start_s..=p.end_s).contains(&t))
        };
        let mut seconds = [0.0; 3];
        for (i, &t_s) in case.simulated.time_s.iter().enumerate().skip(1) {
            assert!(t_s > case.simulated.time_s[i - 1]);
            if running(t_s) {
                seconds[match truth.samples.state[i] {
                    BusState::Holding => 0,
                    BusState::Limited => 1,
                    BusState::Draining => 2,
                }] += t_s - case.simulated.time_s[i - 1];
            }
        }
        holding += usize::from(seconds[0] > 30.0);
        slipping += usize::from(seconds[1] > 10.0);
        draining += usize::from(seconds[2] > 10.0);
        assert!(truth.samples.bus_v.iter().all(|v| (6.0..16.0).contains(v)), "seed {seed}");
        assert!(truth.steps.len() >= 5, "seed {seed}: {} steps", truth.steps.len());
        let duration_s = case.simulated.time_s.last().copied().unwrap_or(0.0);
        assert!((355.0..=725.0).contains(&duration_s), "seed {seed}: {duration_s} s");
    }
    assert!(holding >= 20, "holding in {holding} of 30");
    assert!(slipping >= 8, "slipping in {slipping} of 30");
    assert!(draining >= 8, "draining in {draining} of 30");
}

/// Common practice, no source: a good battery cranks at 9 V or more, and the
/// deepest reading is while cranking.
#[test]
fn cranking_dips_as_starters_do() {
    let options =
        Options { starts_at_rest: Some(true), samples_per_s: Some(100.0), ..Options::default() };
    for seed in 0..5 {
        let case = random_case_with(seed, &options);
        let truth = &case.simulated.truth;
        let crank = truth.phases.iter().find(|p| p.kind == PhaseKind::Cranking).unwrap();
        let lowest = |from: f64, to: f64| {
            let volts = case.simulated.time_s.iter().zip(&truth.samples.bus_v);
            volts.filter(|(t, _)| (from..=to).contains(*t)).map(|(_, v)| *v).fold(99.0, f64::min)
        };
        let dip = lowest(crank.start_s, crank.end_s);
        assert!((7.0..11.5).contains(&dip), "seed {seed}: {dip} V");
        assert!(dip < lowest(0.0, crank.start_s - 0.1));
    }
}

/// Same seed, same bytes; another seed, other bytes.
#[test]
fn a_case_is_its_seed() {
    let (one, same, other) = (random_case(5), random_case(5), random_case(6));
    assert_eq!(one.simulated.bytes(), same.simulated.bytes());
    assert_ne!(one.simulated.bytes(), other.simulated.bytes());
    let logged = one.simulated.channel(Shows::Voltage(Tap::Battery)).unwrap();
    let sigma = one.logger.noise.sigma_v();
    let step = one.logger.channels[0].resolution / one.logger.channels[0].scale;
    let errors = logged.iter().zip(&one.simulated.truth.samples.bus_v).map(|(a, b)| a - b);
    let rms = (errors.map(|e| e * e).sum::<f64>() / logged.len() as f64).sqrt();
    // Rounding adds step/√12; ripple at most its amplitude.
    let most = sigma.hypot(step / 12f64.sqrt()) + one.logger.noise.ripple_v;
    assert!(rms < 1.3 * most && rms > 0.5 * sigma, "{rms} V against {sigma} V");
}
