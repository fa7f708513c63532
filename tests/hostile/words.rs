//! What is written on the command line and in cells: never a panic, and what was
//! meant comes out.

use proptest::prelude::*;
use stiffbus::car::LoadAmps;
use stiffbus::car::cable::{CableRun, Gauge};
use stiffbus::compare::SamePair;
use stiffbus::format;
use stiffbus::ingest::{Mark, MarkTime, RoleRequest, Words, role_from_word, word_of};
use stiffbus::verbs::plan::{CandidateFlag, Pulleys};

use crate::support::cases;

/// Anything, and what the grammars here are made of.
fn text() -> impl Strategy<Value = String> {
    let bits = prop::sample::select(vec![
        "=",
        ":",
        "@",
        ",",
        ".",
        "/",
        "#",
        "%",
        "+",
        "-",
        " ",
        "\u{a0}",
        "\u{2212}",
        "e",
        "E",
        "0",
        "1",
        "9",
        "13.5",
        "1e308",
        "1e-320",
        "nan",
        "inf",
        "awg",
        "AWG",
        "mm2",
        "mm²",
        "m",
        "cm",
        "ft",
        "in",
        "A",
        "V",
        "on",
        "off",
        "voltage",
        "load",
        "fans",
        "x.csv",
        "\u{1b}[31m",
        "\u{202e}",
        "\0",
        "é",
        "ß",
        "İ",
        "ﬁ",
        "日",
        "\u{301}",
        "\n",
        "\"",
        "'",
    ]);
    prop_oneof![".{0,40}", prop::collection::vec(bits, 0..12).prop_map(|bits| bits.concat()),]
}

proptest! {
    #![proptest_config(cases(1000, 1))]

    #[test]
    fn no_mark_breaks_and_a_good_one_is_read(other in text(), at in 0u32..100_000, percent in 0u32..=100, load in "[a-zA-Zé ]{0,8}[a-z]") {
        if let Ok(mark) = other.parse::<Mark>() {
            let stands = !matches!(mark.at, MarkTime::Seconds(at_s) if !(at_s >= 0.0 && at_s.is_finite()));
            prop_assert!(stands && (0.0..=1.0).contains(&mark.duty));
            prop_assert!(!mark.load.is_empty());
        }
        let at_s = f64::from(at) / 100.0;
        let mark: Mark = format!("{at_s}={load}:{percent}%").parse().expect("a mark");
        prop_assert_eq!(mark, Mark { at: MarkTime::Seconds(at_s), load: load.trim().to_owned(), duty: f64::from(percent) / 100.0 });
    }

    #[test]
    fn no_wish_for_a_column_breaks(other in text(), name in "[^\"=\\pC\\pZ][a-z]{0,9}") {
        if let Some(role) = role_from_word(&other) {
            prop_assert_eq!(role_from_word(&word_of(role)), Some(role));
        }
        if let Ok(wish) = other.parse::<RoleRequest>() {
            prop_assert!(!wish.name.is_empty());
            // As a proof writes it down and reads it again.
            let again: RoleRequest = format!("{}={}", word_of(wish.role), wish.name).parse().expect("a wish");
            prop_assert_eq!(again.role, wish.role);
        }
        let wish: RoleRequest = format!("load={name}").parse().expect("a wish");
        prop_assert_eq!(wish.name, name);
    }

    #[test]
    fn no_cable_breaks_and_what_is_one_is_sane(other in text(), awg in -3i32..=20, centimetres in 5u32..=3000) {
        if let Ok(gauge) = other.parse::<Gauge>() {
            prop_assert!((0.5..=240.0).contains(&gauge.area_mm2()));
            let written = String::from(gauge);
            prop_assert_eq!(written.parse::<Gauge>(), Ok(gauge));
        }
        if let Ok(run) = other.parse::<CableRun>() {
            prop_assert!((0.05..=30.0).contains(&run.length_m) && run.senseless().is_none());
        }
        let gauge = String::from(Gauge::Awg(awg));
        let run: CableRun = format!("{gauge}:{centimetres}cm").parse().expect("a cable");
        prop_assert_eq!(run.gauge, Gauge::Awg(awg));
        prop_assert!((run.length_m - f64::from(centimetres) / 100.0).abs() < 1e-9);
    }

    #[test]
    fn no_amps_of_a_load_break(other in text(), tenths in 1u32..5000, volts in 60u32..=180) {
        if let Ok(load) = other.parse::<LoadAmps>() {
            prop_assert!(load.amps_a > 0.0 && load.amps_a.is_finite() && load.stated_at_v.is_none_or(|at_v| (3.0..=36.0).contains(&at_v)));
        }
        let (amps_a, at_v) = (f64::from(tenths) / 10.0, f64::from(volts) / 10.0);
        prop_assert_eq!(format!("{amps_a} A @ {at_v}V").parse(), Ok(LoadAmps { amps_a, stated_at_v: Some(at_v) }));
    }

    #[test]
    fn no_pulleys_candidate_or_pair_break(other in text()) {
        if let Ok(pulleys) = other.parse::<Pulleys>() {
            prop_assert!((0.79..=6.01).contains(&pulleys.ratio), "{:?}", pulleys);
        }
        if let Ok(candidate) = other.parse::<CandidateFlag>() {
            prop_assert!(!candidate.name.is_empty() && candidate.ratio.is_none_or(|r| (0.8..=6.0).contains(&r)));
        }
        if let Ok(pair) = other.parse::<SamePair>() {
            prop_assert_eq!(pair.to_string().parse::<SamePair>().map(|p| p.before), Ok(pair.before));
        }
    }

    #[test]
    fn any_text_can_be_shown(other in text(), width in 0usize..60) {
        let fit = |text: &str| !text.chars().any(format::is_unprintable);
        prop_assert!(fit(&format::plain(&other)));
        prop_assert!(format::plain_lines(&other).split('\n').all(fit));
        prop_assert!(format::columns(&format::shorten(&other, width)) <= width.max(1));
        prop_assert!(fit(&format::whole_words(&other, width)));
        prop_assert!(fit(&format::loads(std::slice::from_ref(&other))));
        let _ = Words::of(&other).has("=volt, ^b, x");
    }

    /// A command that is shown may be copied into a shell.
    #[test]
    #[cfg(unix)]
    fn a_word_for_the_shell_is_one_word(other in "[ -~]{0,30}") {
        let word = format::shell_word(&other);
        let bare = !word.starts_with('\'');
        if bare {
            prop_assert!(word.chars().all(|c| c.is_alphanumeric() || "_-./+,=:@%".contains(c)));
        } else {
            // Within single quotes a shell obeys nothing; every quote of the text is outside.
            let inside = word[1..word.len() - 1].replace("'\\''", "");
            prop_assert!(!inside.contains('\''), "{}", word);
        }
    }

    #[test]
    fn any_number_can_be_shown(bits in any::<u64>(), low in any::<u64>(), high in any::<u64>()) {
        use stiffbus::estimate::{Estimate, Grade};
        let of = f64::from_bits;
        let estimate = Estimate { value: of(bits), low: of(low), high: of(high), grade: Grade::Measured, how: String::new() };
        for unit in [format::VOLT, format::AMP, format::MILLIOHM, format::RPM, format::HOUR] {
            let all = [unit.told(&estimate), unit.of(of(bits)), unit.graded(Some(&estimate)), unit.compact(&estimate)];
            for text in all {
                prop_assert!(!text.contains("NaN") && !text.contains("inf"), "{}", text);
            }
        }
        let _ = (format::duration(of(bits)), format::from_to(of(bits), of(low)), format::rpm_band(Some(of(bits)), Some(of(low))));
    }
}
