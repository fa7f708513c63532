use stiffbus::car::cable::Gauge;
use stiffbus::car::{BatteryKind, Car, LoadAmps};
use stiffbus::ingest::{self, ReadOptions, RoleRequest};

use crate::support::*;

const COUPE: &str = "# the blue coupe\nsetpoint_v = 14.3\nstarter_a = 180\n\n[columns]\nvoltage = \"U1\"\nload = [\"x\", \"y\"]\n\n\
                     [battery]\ncca_a = 540\ncapacity_ah = 60\nkind = \"flooded\"\n\n[alternator]\nrated_a = 70\npulley_ratio = 2.4\n\n\
                     [cable]\ngauge = \"4AWG\"\nlength_m = 3.2\n\n[ground]\ngauge = \"25 mm²\"\nlength_m = 0.6\n\n\
                     [loads_a]\nfans = \"22 A @ 12,6 V\"\n\"AC blower\" = 18.5\n";

#[test]
fn a_whole_car_beside_its_log() {
    let text = write("time_s,U1,x,y", |r| format!("{:.1},{:.2},{},0", r.t, r.v, r.fan));
    let (folder, path) = file(text);
    assert!(Car::beside(&path).expect("no car is no error").is_none());
    std::fs::write(folder.path().join("car.toml"), COUPE).expect("a car");
    let (found, car) = Car::beside(&path).expect("a good car").expect("a car");
    assert_eq!(name_of(&found), "car.toml");
    assert_eq!(
        (car.battery.cca_a, car.battery.capacity_ah, car.battery.kind),
        (Some(540.0), Some(60.0), Some(BatteryKind::Flooded))
    );
    assert_eq!(
        (car.setpoint_v, car.starter_a, car.alternator.rated_a, car.alternator.pulley_ratio),
        (Some(14.3), Some(180.0), Some(70.0), Some(2.4))
    );
    assert_eq!(car.loads_a["AC blower"], LoadAmps { amps_a: 18.5, stated_at_v: None });
    assert_eq!(car.loads_a["fans"], LoadAmps { amps_a: 22.0, stated_at_v: Some(12.6) });
    let (cable, ground) = (car.cable.clone().expect("a cable"), car.ground.clone().expect("one"));
    assert_eq!((cable.gauge, cable.length_m), (Gauge::Awg(4), 3.2));
    assert_eq!((ground.gauge, ground.length_m), (Gauge::Mm2(25.0), 0.6));
    let columns = RoleRequest::from_car(&car).expect("good roles");
    let log = ingest::read(&path, &ReadOptions { columns, ..Default::default() }).expect("a log");
    is_the_log(&log);
    has_fan(&log, "x");
    assert_eq!(log.load_names(), ["x", "y"]);
}

#[test]
fn mistakes_are_located() {
    for (text, parts) in [
        (
            "setpoint_v = 14.3\nsetpiont_v = 2\n",
            ["car.toml, line 2", "unknown field", "setpoint_v"],
        ),
        ("[battery]\n\nkind = \"wet\"\n", ["line 3", "wet", "flooded"]),
        ("[battery]\ncca_a = \"many\"\n", ["line 2", "invalid type", "[battery]"]),
        (
            "[cable]\ngauge = \"4 gage\"\nlength_m = 3\n",
            ["line 2", "\"4 gage\" is not a gauge", "20AWG"],
        ),
        ("[cable]\ngauge = \"4AWG\"\nlength_m = 320\n", ["line 3", "320 m", "0.05 to 30 m"]),
        ("[ground]\ngauge = \"4AWG\"\n", ["line 1", "length_m", "[ground]"]),
        ("[battery\n", ["line 1", "car.toml", "Allowed"]),
        ("[battery]\ncca_a = -5\n", ["line 2", "cca_a = -5", "above 0"]),
        (
            "[battery]\ntemperature_c = 300\n",
            ["line 2", "temperature_c = 300", "battery temperature"],
        ),
        ("[alternator]\ncurve_v = 0\n", ["line 2", "curve_v = 0", "above 0"]),
        ("[alternator]\ncurve_c = 900\n", ["line 2", "curve_c = 900", "temperature"]),
        ("[alternator]\ncurves = \"x\"\n", ["line 2", "unknown field", "curve = \"file.csv\""]),
        (
            "[columns]\nvolts = \"U1\"\n",
            ["line 2", "\"volts\" is not a role", "temperature.coolant"],
        ),
    ] {
        let (_folder, path) = named("car.toml", text);
        says(&Car::load(&path).expect_err("a mistake").to_string(), &parts);
    }
    let folder = tempfile::tempdir().expect("a folder");
    says(
        &Car::load(&folder.path().join("car.toml")).expect_err("no file").to_string(),
        &["car.toml", "cannot be read"],
    );
}

#[test]
fn the_sheet_lies_beside_the_car() {
    let facts = "[alternator]\npulley_ratio = 2.4\ncurve = \"sheets/old.csv\"\ncurve_v = 14\n";
    let (folder, path) = named("car.toml", facts);
    let mut car = Car::load(&path).expect("a good car");
    let said = car.read_sheet().expect_err("no sheet yet").to_string();
    says(&said, &["old.csv", "output sheet", "cannot be read"]);
    std::fs::create_dir(folder.path().join("sheets")).expect("a folder");
    let sheet = folder.path().join("sheets/old.csv");
    std::fs::write(sheet, "rpm,A\n1500,35\n6000,90\n").expect("the test's own file");
    car.read_sheet().expect("a good sheet");
    let sheet = car.alternator.sheet.expect("a sheet");
    assert_eq!(sheet.points, [(1500.0, 35.0), (6000.0, 90.0)]);
    assert_eq!((sheet.test_v.value, sheet.test_c.value), (14.0, 23.0));
}
