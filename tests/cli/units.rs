//! `--units imperial`: what is read in °F, ft and AWG, and what stays as it is.

use crate::support::Garage;

/// Written into the folders `metric` and `imperial`, these files are the same bytes.
fn same(garage: &Garage, names: &[&str]) {
    for name in names {
        let part = |units: &str| garage.text(&format!("{units}/{name}"));
        assert_eq!(part("imperial"), part("metric"), "{name} stays in SI");
    }
}

/// 95.0 °C, the coolant at the end of that log, is 203 °F.
#[test]
fn a_report() {
    let garage = Garage::new();
    garage.put_sample("hot-idle-old-alternator.csv", "log.csv");
    let args = |units: &str| {
        garage.run(&["log.csv", "--units", units, "--out", units, "--json", "-"]).ends(0);
        let part = |name: &str| garage.text(&format!("{units}/{name}"));
        (part("report.html"), part("heat.svg"))
    };
    let (metric_page, metric_plot) = args("metric");
    let (page, plot) = args("imperial");
    same(&garage, &["diagnosis.json", "load_steps.csv", "operating_points.csv"]);
    assert!(metric_plot.contains(" to 95 °C coolant") && metric_page.contains("flooded, 25 °C"));
    assert!(plot.contains(" to 203 °F coolant") && page.contains("flooded, 77 °F"));
    assert!(page.contains(r#""unit":"°F""#) && !metric_page.contains("°F"));
    // The account of the file quotes the file.
    assert!(page.contains("69.0 to 95.0 °C"));
    let screen = garage.run(&["log.csv", "--units", "imperial"]).ends(0).stdout;
    assert!(!screen.contains("°C"), "{screen}");
    garage.run(&["log.csv", "--units", "furlongs"]).ends(2).complains(&["metric", "imperial"]);
}

/// A foot is 0.3048 m by definition (international yard and pound agreement of 1959): 3.048 m
/// are 10 ft, 0.6096 m 2 ft; 60 °C are 140 °F, 105 °C 221 °F. 25 mm² lies between 4 AWG,
/// 21.15 mm², and 3 AWG, 26.67 mm² (ASTM B258, from memory), nearest to the latter.
#[test]
fn a_plan() {
    let garage = Garage::new();
    garage.put_sample("hot-idle-old-alternator.csv", "log.csv");
    garage.put_sample("sheets/new-160a.csv", "new-160a.csv");
    let planned = |units: &str, cable: &str| {
        let run = ["plan", "log.csv", "--candidate", "new=new-160a.csv@2.9"];
        let run = [run.as_slice(), &["--cable", cable, "--ground", "4AWG:0.6096m"]].concat();
        let more = ["--units", units, "--out", units, "--force"];
        let screen = garage.run(&[run, more.to_vec()].concat()).ends(0).stdout;
        (garage.text(&format!("{units}/plan.html")), screen)
    };
    let (metric, metric_screen) = planned("metric", "25mm2:3.048m");
    let (page, screen) = planned("imperial", "25mm2:3.048m");
    same(&garage, &["plan.json", "candidates.csv", "predicted_points.csv", "cables.csv"]);
    assert!(metric.contains("3.048 m out, 0.6096 m back; air 60 °C, insulation for 105 °C"));
    assert!(page.contains("10.0 ft out, 2.0 ft back; air 140 °F, insulation for 221 °F"));
    assert!(metric.contains(">25 mm²<") && page.contains("3 AWG (25 mm²)"));
    assert!(metric_screen.contains(" over 3.048 m to the battery"), "{metric_screen}");
    assert!(screen.contains(" over 10.0 ft to the battery"), "{screen}");
    let plain = |text: &str| text.contains("°C") || text.contains(" m back");
    assert!(!plain(&page) && !plain(&screen), "{screen}");
    // No cable serves that: the sentence is another.
    let (page, _) = planned("imperial", "4AWG:27.432m");
    assert!(page.contains("over 90.0 ft and 2.0 ft back"), "{page}");
}

/// The proof tells its units to `verify`, which makes the same page again.
#[test]
fn a_proof_that_stands() {
    let garage = Garage::new();
    garage.put_sample("hot-idle-old-alternator.csv", "before.csv");
    garage.put_sample("new-alternator-soaked.csv", "after.csv");
    for units in ["metric", "imperial"] {
        let run = ["compare", "before.csv", "after.csv", "--cable", "25mm2:6.1m"];
        garage.run(&[run.as_slice(), &["--units", units, "--out", units]].concat()).ends(0);
        let stands = garage.run(&["verify", units]).ends(0).stdout;
        assert!(stands.contains("proof.html is reproduced byte for byte"), "{stands}");
    }
    same(&garage, &["matched_points.csv", "matched_steps.csv", "criteria.csv"]);
    let said = |units: &str| -> serde_json::Value {
        let text = garage.text(&format!("{units}/comparison.json"));
        serde_json::from_str(&text).expect("JSON")
    };
    let (mut metric, mut imperial) = (said("metric"), said("imperial"));
    assert_eq!(imperial["units"], "imperial");
    for value in [&mut metric, &mut imperial] {
        let value = value.as_object_mut().expect("an object");
        value.remove("units");
        value.remove("seal_sha256");
    }
    assert_eq!(metric, imperial, "only the units are told beside what SI says");
    let page = |units: &str| garage.text(&format!("{units}/proof.html"));
    assert!(page("metric").contains("cable 25 mm² over 6.1 m"));
    assert!(page("imperial").contains("cable 3 AWG (25 mm²) over 20.0 ft"));
}

#[test]
fn a_review_and_its_reports() {
    let garage = Garage::new();
    garage.put_sample("hot-idle-old-alternator.csv", "day/log.csv");
    let reviewed = |units: &str, more: &[&str]| {
        let run = ["review", "day", "--units", units, "--out", units];
        garage.run(&[run.as_slice(), more].concat()).ends(0);
        garage.text(&format!("{units}/reports/log/report.html"))
    };
    let metric = reviewed("metric", &[]);
    let imperial = reviewed("imperial", &[]);
    same(&garage, &["review.json", "reports/log/diagnosis.json"]);
    assert!(metric.contains("flooded, 25 °C") && imperial.contains("flooded, 77 °F"));
    let page = garage.text("imperial/index.html");
    assert!(!page.contains("°C"), "{page}");
    // Taken up in other units, the reports are made again.
    let run = ["review", "day", "--units", "metric", "--out", "imperial", "--resume"];
    garage.run(&run).ends(0);
    assert_eq!(garage.text("imperial/reports/log/report.html"), metric);
}
