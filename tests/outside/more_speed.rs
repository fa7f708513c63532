//! A charging system is tested with its loads on at 1500 to 2000 rpm (common practice,
//! no source): what the log shows there, and not at a fast idle, decides whether driving cures a
//! shortage at idle.

use MoreSpeed::{Cures, DoesNotCure, NotSeen, Unsure};
use VerdictWord::{FallsShort, FallsShortAtIdle};
use stiffbus::diagnosis::{Diagnosis, MoreSpeed, VerdictWord};

use crate::synthetic::{diagnosis, noise, raises};

const HELD_V: f64 = 14.3;

/// Engine speed, the load that is on, and the voltage there.
type Visit = (f64, &'static str, f64);

/// Rest, a start, idle and 2200 rpm with nothing on; then half a minute of each visit, and
/// idle with nothing on after it.
fn said(visits: &[Visit]) -> Diagnosis {
    let mut stays = vec![(0.0, "", 12.6, 20), (180.0, "", 10.3, 1)];
    stays.extend([(850.0, "", HELD_V, 15), (2200.0, "", HELD_V, 15), (850.0, "", HELD_V, 15)]);
    for &(rpm, load, volts) in visits {
        stays.extend([(rpm, "", HELD_V, 10), (rpm, load, volts, 30), (850.0, "", HELD_V, 15)]);
    }
    let mut hiss = noise(11, 0.008);
    let samples = stays.iter().flat_map(|stay| std::iter::repeat_n(stay, 10 * stay.3));
    let rows = samples.enumerate().map(|(i, &(rpm, load, volts, _))| {
        let on = |name: &str| f64::from(u8::from(load == name));
        vec![i as f64 / 10.0, volts + hiss(), rpm, on("lamps"), on("heater")]
    });
    diagnosis("time (s),battery voltage (V),engine rpm,lamps,heater", rows)
}

#[test]
fn what_a_higher_speed_shows_makes_the_word() {
    let slow = (850.0, "lamps", 12.3);
    for (visits, word, more_speed) in [
        (vec![slow], FallsShortAtIdle, NotSeen),
        (vec![slow, (2000.0, "lamps", HELD_V)], FallsShortAtIdle, Cures),
        (vec![slow, (2000.0, "lamps", 12.9)], FallsShort, DoesNotCure),
        // A fast idle is not driving, and idle is named before it.
        (vec![slow, (1250.0, "lamps", 12.1)], FallsShortAtIdle, NotSeen),
        (vec![(1250.0, "lamps", 12.4)], FallsShortAtIdle, NotSeen),
        (vec![(1800.0, "lamps", 12.4)], FallsShort, DoesNotCure),
        // At driving speed, and cured by more of it.
        (vec![(1800.0, "lamps", 12.9), (3500.0, "lamps", HELD_V)], FallsShort, Cures),
    ] {
        let said = said(&visits);
        let headline = &said.verdict.headline;
        assert_eq!(said.verdict.word, word, "{visits:?}: {headline}");
        assert_eq!(said.verdict.more_speed, Some(more_speed), "{visits:?}: {headline}");
        assert_eq!(headline.contains("The same loads hold"), more_speed == Cures, "{headline}");
        assert_eq!(headline.contains("does not help"), more_speed == DoesNotCure, "{headline}");
        assert!(visits[0] != slow || headline.contains("at 850 rpm"), "{headline}");
        let findings = ["short-at-idle", "short-at-every-speed"].map(|id| raises(&said, id));
        assert_eq!(findings, [more_speed != DoesNotCure, more_speed == DoesNotCure], "{visits:?}");
    }
    assert_eq!(said(&[(850.0, "lamps", HELD_V)]).verdict.more_speed, None);
}

/// Idle is worse, but no speed cures the other load, so the headline names that one.
#[test]
fn the_headline_names_the_loads_that_decide_the_verdict() {
    let lamps = [(850.0, "lamps", 11.9), (2000.0, "lamps", HELD_V)];
    let heater = [(850.0, "heater", 12.5), (2000.0, "heater", 12.8)];
    let said = said(&[lamps, heater].concat());
    let headline = &said.verdict.headline;
    assert_eq!(said.verdict.word, FallsShort, "{headline}");
    assert_eq!(said.verdict.more_speed, Some(DoesNotCure), "{headline}");
    assert!(headline.contains("heater") && !headline.contains("lamps"), "{headline}");
    assert!(headline.contains("12.50") && headline.contains("does not help"), "{headline}");
    // Idle with the lamps on is reported too.
    assert!(raises(&said, "short-at-idle") && raises(&said, "short-at-every-speed"));
}

/// One set discharges the battery at idle, another is at its limit at speed and still charges
/// it: no word of the second is said of the first.
#[test]
fn what_the_battery_does_is_that_of_the_loads_reported() {
    let lamps = [(850.0, "lamps", 11.9), (2000.0, "lamps", HELD_V)];
    let of = |heater: &[Visit]| said(&[&lamps, heater].concat()).verdict;
    let charges = of(&[(2000.0, "heater", 13.6)]);
    assert_eq!((charges.more_speed, charges.battery_drains), (Some(Cures), Some(true)));
    assert!(charges.headline.contains("lamps"), "{}", charges.headline);
    let drains = of(&[(2000.0, "heater", 12.0)]);
    assert_eq!((drains.more_speed, drains.battery_drains), (Some(DoesNotCure), Some(true)));
    assert!(drains.headline.contains("Battery discharging at"), "{}", drains.headline);
}

/// At its limit and still charging is no shortage, and is not said to hold.
#[test]
fn what_only_charges_at_speed_is_not_said_to_hold() {
    let said = said(&[(850.0, "lamps", 12.3), (2000.0, "lamps", 13.4)]);
    let headline = &said.verdict.headline;
    assert_eq!(said.verdict.more_speed, Some(Cures), "{headline}");
    assert!(headline.contains("still at its limit: at 2000 rpm"), "{headline}");
    assert!(!headline.contains("The same loads hold"), "{headline}");
}

/// From a level that charges to one that does not: in between it is left open.
#[test]
fn what_may_charge_at_speed_is_not_said_to_be_short_there() {
    let at_speed = |volts: f64| {
        let said = said(&[(850.0, "lamps", 12.3), (2000.0, "lamps", volts)]);
        let (verdict, headline) = (&said.verdict, &said.verdict.headline);
        let seen = verdict.more_speed.expect("short at idle");
        assert_eq!(headline.contains("is not sure: at 2000 rpm"), seen == Unsure, "{headline}");
        assert_eq!(verdict.word == FallsShort, seen == DoesNotCure, "{headline}");
        seen
    };
    let mut seen: Vec<MoreSpeed> = (0..25).map(|k| at_speed(13.24 - 0.01 * f64::from(k))).collect();
    seen.dedup();
    assert_eq!(seen, [Cures, Unsure, DoesNotCure]);
}

/// Where the battery gets almost no charge it is short, whether or not it is sure that it
/// discharges.
#[test]
fn almost_no_charge_is_short_whatever_the_battery_does() {
    for volts in [12.4, 12.5, 12.6, 12.7, 12.8, 12.9, 13.0] {
        let said = said(&[(850.0, "lamps", 12.3), (2000.0, "lamps", volts)]);
        assert_eq!(said.verdict.more_speed, Some(DoesNotCure), "{}", said.verdict.headline);
    }
}

/// A charged battery rests at 12.6 to 12.9 V (common practice, no source), and with the engine
/// running one that is not charged does so too: a log of voltage alone states which it assumes.
#[test]
fn a_stop_that_only_the_voltage_shows_is_stated() {
    let stays = [(12.48, 60), (14.15, 120), (12.75, 180), (14.1, 120)];
    let log = |rpm: bool| {
        let mut hiss = noise(5, 0.006);
        let samples = stays.iter().flat_map(|stay| std::iter::repeat_n(stay, stay.1 / 2));
        let rows = samples.enumerate().map(|(i, &(volts, _))| {
            let speed = rpm.then_some(if volts > 13.0 { 850.0 } else { 0.0 });
            [2.0 * i as f64, volts + hiss()].into_iter().chain(speed).collect()
        });
        let speed = if rpm { ",engine rpm" } else { "" };
        diagnosis(&format!("time (s),battery voltage (V){speed}"), rows)
    };
    for (rpm, stated) in [(false, true), (true, false)] {
        let verdict = log(rpm).verdict;
        let headline = &verdict.headline;
        assert_eq!(verdict.word, VerdictWord::KeepsUp, "{headline}");
        assert_eq!(headline.contains("taken as stopped from 180 to 360 s"), stated, "{headline}");
        let open = verdict.cannot_tell.iter().any(|text| text.contains("180=engine:off"));
        assert_eq!(open, stated, "{:?}", verdict.cannot_tell);
    }
}
