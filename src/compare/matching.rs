//! Which operating points both logs contain, and how their conditions compare.

use crate::compare::load_matching::{Pairing, load_names, quoted};
use crate::comparison::{Conditions, Unmatched, When};
use crate::diagnosis::{Diagnosis, Heat, OperatingPoint};
use crate::format::{self, RPM};
use crate::nominal::Nominal;

/// Near its idle point an alternator's output changes by more than its speed does:
/// a speed that differs by more than this is another condition (common practice,
/// no source).
const SPEED_SHARE: f64 = 0.05;
/// Duties this far apart are still the same load at work, more or less hard.
const DUTY_POINTS: f64 = 10.0;

/// The same loads in the same speed band.
#[derive(Debug, Clone)]
pub struct Pair<'d> {
    pub before: &'d OperatingPoint,
    pub after: &'d OperatingPoint,
    pub conditions: Conditions,
    pub how: String,
    /// Of both logs.
    pub nominal: Nominal,
}

pub struct Matched<'d> {
    /// In the order of the earlier log's points.
    pub pairs: Vec<Pair<'d>>,
    pub unmatched: Vec<Unmatched>,
}

/// Every point of the earlier log with the point of the later that is most like
/// it. A point is used once.
pub fn matched<'d>(before: &'d Diagnosis, after: &'d Diagnosis, pairing: &Pairing) -> Matched<'d> {
    let (old_names, new_names) = (load_names(before), load_names(after));
    let (olds, news) = (&before.operating_points, &after.operating_points);
    let mut candidates: Vec<(usize, usize, Met)> = Vec::new();
    for (i, old) in olds.iter().enumerate() {
        for (j, new) in news.iter().enumerate() {
            if old.rpm_low == new.rpm_low
                && let Some(mut met) = loads_met(old, new, &old_names, &new_names, pairing)
            {
                met.add_heat(old.heat, new.heat);
                met.add_speed(old.rpm, new.rpm);
                met.add_unseen(pairing);
                candidates.push((i, j, met));
            }
        }
    }
    // The best matches choose first; among equals the longest seen.
    candidates.sort_by(|(i, j, a), (k, l, b)| {
        let seconds = |j: &usize| news.get(*j).map_or(0.0, |point| point.seconds);
        (a.rank(), i).cmp(&(b.rank(), k)).then(seconds(l).total_cmp(&seconds(j)))
    });
    let mut partner: Vec<Option<(usize, Met)>> = vec![None; olds.len()];
    let mut used = vec![false; news.len()];
    for (i, j, met) in candidates {
        if let (Some(slot @ None), Some(taken @ false)) = (partner.get_mut(i), used.get_mut(j)) {
            *slot = Some((j, met));
            *taken = true;
        }
    }
    let mut pairs = Vec::new();
    let mut unmatched = Vec::new();
    for (old, partner) in olds.iter().zip(partner) {
        match partner.and_then(|(j, met)| Some((news.get(j)?, met))) {
            Some((new, met)) => pairs.push(Pair {
                before: old,
                after: new,
                conditions: met.conditions(),
                how: met.how.join("; "),
                nominal: before.source.nominal_v,
            }),
            None => {
                let why = why(old, (&old_names, &new_names), news, pairing);
                unmatched.push(left_over(When::Before, old, why));
            }
        }
    }
    for (new, _) in news.iter().zip(used).filter(|(_, used)| !used) {
        unmatched.push(left_over(
            When::After,
            new,
            "the earlier log has no such operating point".to_owned(),
        ));
    }
    Matched { pairs, unmatched }
}

fn left_over(of: When, point: &OperatingPoint, why: String) -> Unmatched {
    Unmatched {
        of,
        loads: point.loads.clone(),
        rpm_low: point.rpm_low,
        rpm_high: point.rpm_high,
        heat: point.heat,
        seconds: point.seconds,
        state: point.state,
        why,
    }
}

/// Why no point of the later log matches `old`.
fn why(
    old: &OperatingPoint,
    (old_names, new_names): (&[String], &[String]),
    news: &[OperatingPoint],
    pairing: &Pairing,
) -> String {
    let Some(set) = parsed(&old.loads, old_names) else {
        return "the earlier log does not name its loads: state with --marks-before when each \
                load was on"
            .to_owned();
    };
    if !set.loads.is_empty() && new_names.is_empty() {
        return "the later log does not name its loads: state with --marks-after when each load \
                was on"
            .to_owned();
    }
    let lonely: Vec<String> = set
        .loads
        .iter()
        .filter(|(name, _)| pairing.after(name).is_none())
        .map(|(name, _)| name.clone())
        .collect();
    if !lonely.is_empty() {
        return format!(
            "no load of the later log matches {}: if one does, name it with --same",
            any(&lonely)
        );
    }
    if old.rpm_low.is_some() != news.iter().any(|new| new.rpm_low.is_some()) {
        return "engine speed is in one of the two logs only".to_owned();
    }
    let together = format::with_loads(&old.loads);
    match format::rpm_band(old.rpm_low, old.rpm_high) {
        Some(band) => format!(
            "the later log never runs {together} at {band} rpm, or not long enough by itself"
        ),
        None => format!("the later log never runs {together}, or not long enough by itself"),
    }
}

/// How the conditions of the later point compare with the earlier's, one after the other.
#[derive(Debug, Clone, Default)]
struct Met {
    harder: bool,
    easier: bool,
    unknown: bool,
    how: Vec<String>,
}

impl Met {
    fn conditions(&self) -> Conditions {
        // One easier condition outweighs any harder one: they cannot be weighed.
        match (self.easier, self.unknown, self.harder) {
            (true, _, _) => Conditions::Easier,
            (_, true, _) => Conditions::Unknown,
            (_, _, true) => Conditions::Harder,
            _ => Conditions::Same,
        }
    }

    /// Lower is more alike: fair before unfair, then by how much differs.
    fn rank(&self) -> (u8, usize) {
        let conditions = match self.conditions() {
            Conditions::Same => 0,
            Conditions::Harder => 1,
            Conditions::Unknown => 2,
            Conditions::Easier => 3,
        };
        (conditions, self.how.len())
    }

    fn add_heat(&mut self, before: Heat, after: Heat) {
        let words = format!("{} before, {} after", before.word(), after.word());
        match (before, after) {
            (Heat::Unknown, Heat::Unknown) => {
                self.unknown = true;
                self.how.push("neither log shows how hot it was".to_owned());
            }
            (Heat::Unknown, _) | (_, Heat::Unknown) => {
                self.unknown = true;
                self.how.push("only one of the two logs shows how hot it was".to_owned());
            }
            (before, after) if after < before => {
                self.easier = true;
                self.how.push(format!("cooler: {words}"));
            }
            (before, after) if after > before => {
                self.harder = true;
                self.how.push(format!("hotter: {words}"));
            }
            _ => {}
        }
    }

    /// A load that only the earlier log names may be on in the later one, unseen.
    fn add_unseen(&mut self, pairing: &Pairing) {
        let unseen = pairing.lonely_loads();
        if !unseen.is_empty() {
            self.harder = true;
            self.how.push(format!("the later log does not show whether {} was on", any(&unseen)));
        }
    }

    fn add_speed(&mut self, before: Option<f64>, after: Option<f64>) {
        let (Some(before), Some(after)) = (before, after) else {
            self.unknown = true;
            self.how.push("engine speed is not known".to_owned());
            return;
        };
        let words = format!("{} before, {} after", RPM.of(before), RPM.of(after));
        if after > before * (1.0 + SPEED_SHARE) {
            self.easier = true;
            self.how.push(format!("faster: {words}"));
        } else if after < before * (1.0 - SPEED_SHARE) {
            self.harder = true;
            self.how.push(format!("slower: {words}"));
        }
    }
}

/// "a", or "a, b or c", each in quotes.
pub fn any(names: &[String]) -> String {
    let each: Vec<String> = names.iter().map(|n| quoted(std::slice::from_ref(n))).collect();
    match each.split_last() {
        Some((last, before)) if !before.is_empty() => {
            format!("{} or {last}", before.join(", "))
        }
        _ => each.concat(),
    }
}

/// What an operating point's labels mean.
#[derive(Debug, Clone, PartialEq)]
pub struct OnSet {
    /// Loads on, with their duties in per cent.
    pub loads: Vec<(String, f64)>,
    /// Besides them something switched that no channel shows.
    pub strays: bool,
}

/// `None` where what is on is known from the voltage alone.
pub fn parsed(labels: &[String], names: &[String]) -> Option<OnSet> {
    let loads: Vec<(String, f64)> = labels.iter().filter_map(|l| duty(l, names)).collect();
    let strays = loads.len() < labels.len();
    (!strays || !names.is_empty()).then_some(OnSet { loads, strays })
}

fn duty(label: &str, names: &[String]) -> Option<(String, f64)> {
    if names.iter().any(|name| name == label) {
        return Some((label.to_owned(), 100.0));
    }
    let (name, percent) = label.strip_suffix(" %")?.rsplit_once(' ')?;
    let known = names.iter().any(|known| known == name);
    known.then_some(())?;
    Some((name.to_owned(), percent.parse().ok()?))
}

/// Whether the same loads are on, about as hard; loads that only the later log
/// names may be on besides.
fn loads_met(
    old: &OperatingPoint,
    new: &OperatingPoint,
    old_names: &[String],
    new_names: &[String],
    pairing: &Pairing,
) -> Option<Met> {
    let (olds, news) = (parsed(&old.loads, old_names)?, parsed(&new.loads, new_names)?);
    let mut met = Met::default();
    if olds.strays || news.strays {
        met.unknown = true;
        met.how.push("something switched that no channel shows".to_owned());
    }
    let mut seen = 0;
    for (name, duty) in &olds.loads {
        let partner = pairing.after(name)?;
        let (_, after) = news.loads.iter().find(|(new, _)| new == partner)?;
        seen += 1;
        let more = after - duty;
        if more.abs() > DUTY_POINTS {
            return None;
        }
        if more > 0.0 {
            met.harder = true;
            met.how.push(format!("{name} works harder: {duty:.0} % before, {after:.0} % after"));
        } else if more < 0.0 {
            met.easier = true;
            met.how.push(format!("{name} works less: {duty:.0} % before, {after:.0} % after"));
        }
    }
    for (name, _) in news.loads.iter().filter(|(name, _)| pairing.new_loads().contains(name)) {
        seen += 1;
        met.harder = true;
        met.how.push(format!("{name} is also on"));
    }
    (seen == news.loads.len()).then_some(met)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::fixtures::{diagnosis, holding, names};
    use crate::compare::load_matching::pairing;

    #[test]
    fn a_label_tells_load_and_duty() {
        let names = vec!["fan".to_owned(), "fan 2".to_owned()];
        let of = |label: &str| duty(label, &names);
        assert_eq!(of("fan"), Some(("fan".into(), 100.0)));
        assert_eq!(of("fan 60 %"), Some(("fan".into(), 60.0)));
        assert_eq!(of("fan 2 30 %"), Some(("fan 2".into(), 30.0)));
        assert_eq!(of("load A (0.4 V drop at 41 s)"), None);
    }

    #[test]
    fn easier_outweighs_harder() {
        let mut met = Met::default();
        met.add_heat(Heat::Warm, Heat::Hot);
        assert_eq!(met.conditions(), Conditions::Harder);
        met.add_speed(Some(800.0), Some(950.0));
        assert_eq!(met.conditions(), Conditions::Easier);
    }

    #[test]
    fn five_per_cent_of_speed_is_the_same_speed() {
        let of = |after: f64| {
            let mut met = Met::default();
            met.add_speed(Some(800.0), Some(after));
            met.conditions()
        };
        assert_eq!(of(839.0), Conditions::Same);
        assert_eq!(of(841.0), Conditions::Easier);
        assert_eq!(of(759.0), Conditions::Harder);
    }

    /// Loads of the later point, and how its conditions compare.
    type Told = (Vec<String>, Conditions, String);

    fn both(
        before: (&[&str], Vec<OperatingPoint>),
        after: (&[&str], Vec<OperatingPoint>),
    ) -> (Vec<Told>, Vec<Unmatched>) {
        let pairing = pairing(&names(before.0), &names(after.0), &[]);
        let (before, after) = (diagnosis(before.0, before.1), diagnosis(after.0, after.1));
        let found = matched(&before, &after, &pairing);
        let pairs = found.pairs.iter();
        let told = pairs.map(|p| (p.after.loads.clone(), p.conditions, p.how.clone())).collect();
        (told, found.unmatched)
    }

    fn hot(loads: &[&str], heat: Heat, seconds: f64) -> OperatingPoint {
        OperatingPoint { heat, seconds, ..holding(loads) }
    }

    #[test]
    fn the_point_most_alike_is_the_partner() {
        let olds = vec![hot(&["fan"], Heat::Warm, 30.0)];
        let news = vec![
            hot(&["fan"], Heat::Cold, 90.0),
            hot(&["fan"], Heat::Warm, 10.0),
            hot(&["fan"], Heat::Hot, 90.0),
        ];
        let (pairs, unmatched) = both((&["fan"], olds.clone()), (&["fan"], news.clone()));
        assert_eq!(pairs, [(names(&["fan"]), Conditions::Same, String::new())]);
        assert_eq!(unmatched.len(), 2);
        let (pairs, _) = both((&["fan"], olds), (&["fan"], vec![news[0].clone(), news[2].clone()]));
        let hotter = "hotter: warm before, hot after".to_owned();
        assert_eq!(pairs, [(names(&["fan"]), Conditions::Harder, hotter)]);
    }

    #[test]
    fn heat_that_nobody_logged_is_unknown() {
        let of = |before, after| {
            let one = |heat| vec![hot(&["fan"], heat, 30.0)];
            let (pairs, _) = both((&["fan"], one(before)), (&["fan"], one(after)));
            (pairs[0].1, pairs[0].2.clone())
        };
        let neither = of(Heat::Unknown, Heat::Unknown);
        assert_eq!(neither, (Conditions::Unknown, "neither log shows how hot it was".to_owned()));
        let one = "only one of the two logs shows how hot it was".to_owned();
        assert_eq!(of(Heat::Hot, Heat::Unknown), (Conditions::Unknown, one.clone()));
        assert_eq!(of(Heat::Unknown, Heat::Cold), (Conditions::Unknown, one));
        assert_eq!(of(Heat::Hot, Heat::Cold).0, Conditions::Easier);
    }

    #[test]
    fn a_load_that_only_the_later_log_names_makes_it_harder() {
        let old = (&["fan"][..], vec![holding(&["fan"])]);
        let new = (&["fan", "lamps"][..], vec![holding(&["fan", "lamps"])]);
        let (pairs, _) = both(old.clone(), new);
        let how = "lamps is also on".to_owned();
        assert_eq!(pairs, [(names(&["fan", "lamps"]), Conditions::Harder, how)]);
        // The same without it is more alike.
        let new = (&["fan", "lamps"][..], vec![holding(&["fan", "lamps"]), holding(&["fan"])]);
        assert_eq!(both(old, new).0[0], (names(&["fan"]), Conditions::Same, String::new()));
    }

    #[test]
    fn a_load_that_the_later_log_does_not_name_may_be_on() {
        let old = (&["fan", "lamps"][..], vec![holding(&["fan"]), holding(&["lamps"])]);
        let (pairs, unmatched) = both(old, (&["fan"], vec![holding(&["fan"])]));
        assert_eq!(pairs[0].1, Conditions::Harder);
        assert!(pairs[0].2.contains("whether \"lamps\" was on"), "{}", pairs[0].2);
        assert!(unmatched[0].why.contains("matches \"lamps\""), "{}", unmatched[0].why);
    }

    #[test]
    fn duties_are_alike_within_ten_points() {
        let of = |before: &str, after: &str| {
            let old = (&["fan"][..], vec![holding(&[before])]);
            both(old, (&["fan"], vec![holding(&[after])])).0.first().map(|p| p.1)
        };
        assert_eq!(of("fan 60 %", "fan 60 %"), Some(Conditions::Same));
        assert_eq!(of("fan 60 %", "fan 70 %"), Some(Conditions::Harder));
        assert_eq!(of("fan 60 %", "fan 50 %"), Some(Conditions::Easier));
        assert_eq!(of("fan 60 %", "fan 80 %"), None);
        assert_eq!(of("fan 90 %", "fan"), Some(Conditions::Harder));
        assert_eq!(of("fan 80 %", "fan"), None);
    }

    #[test]
    fn what_cannot_be_matched_says_why() {
        let why = |new_names: &[&str], new: Vec<OperatingPoint>| {
            let old = (&["fan"][..], vec![holding(&["fan"])]);
            both(old, (new_names, new)).1.swap_remove(0).why
        };
        assert!(why(&[], vec![holding(&[])]).contains("--marks-after"));
        assert!(why(&["horn"], vec![holding(&[])]).contains("name it with --same"));
        assert!(why(&["fan"], vec![holding(&[])]).contains("never runs with fan on at up to 1100"));
        let no_speed = OperatingPoint { rpm_low: None, rpm_high: None, ..holding(&["fan"]) };
        assert!(why(&["fan"], vec![no_speed]).contains("engine speed is in one"));
        let (_, unmatched) =
            both((&[], vec![holding(&["load A (0.4 V drop at 41 s)"])]), (&[], vec![holding(&[])]));
        assert!(unmatched[0].why.contains("--marks-before"), "{}", unmatched[0].why);
    }
}
