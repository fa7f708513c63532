//! Flags shared by the verbs that read logs.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::car::cable::CableRun;
use crate::car::{BATTERY_RANGE_C, BatteryKind, Car, CarError, LoadAmps, not_of_a_battery};
use crate::ingest::{Mark, ReadOptions, RequestError, RoleRequest};
use crate::log::Log;
use crate::nominal::Nominal;
use crate::physics::battery::CrankingStandard;
use crate::units::Units;

#[derive(Debug, Clone, Default, Args)]
pub struct ReadFlags {
    /// What a column means, e.g. voltage=Vbat, load=Fan2, ignored=AUX; #3 names the third column
    #[arg(long = "column", value_name = "ROLE=NAME", help_heading = "Reading")]
    pub columns: Vec<RoleRequest>,
    /// Samples a second, for a log without a time column
    #[arg(long, value_name = "HZ", value_parser = positive, allow_negative_numbers = true, help_heading = "Reading")]
    pub sample_rate: Option<f64>,
    /// A load switched by hand, by seconds from the first sample or by the log's clock, e.g.
    /// 63.2=fans:on, 14:03:10=fans:off, 90=pump:60%; also all:off, engine:on and engine:off
    #[arg(long = "mark", value_name = "TIME=LOAD:STATE", help_heading = "Reading")]
    pub marks: Vec<Mark>,
    /// A CSV of marks: time, load, state, as in 63.2,fans,on
    #[arg(long = "marks", value_name = "FILE", help_heading = "Reading")]
    pub marks_file: Option<PathBuf>,
    /// Nominal voltage of the system, if it cannot be read off the levels: 6, 12 or 24
    #[arg(long, value_name = "V", help_heading = "Reading")]
    pub nominal: Option<Nominal>,
    /// What --nominal replaces
    #[arg(long, hide = true)]
    pub any_voltage: bool,
}

#[derive(Debug, Clone, Default, Args)]
pub struct ShownFlags {
    /// Units of page, pictures and terminal; JSON and tables stay in SI units
    #[arg(long, value_enum, value_name = "UNITS", default_value = "metric")]
    pub units: Units,
}

#[derive(Debug, Clone, Default, Args)]
pub struct CarFlags {
    /// Facts about the car [default: car.toml beside the log, if there]
    #[arg(long, value_name = "FILE", help_heading = "The car")]
    pub car: Option<PathBuf>,
    /// Cold-cranking amps of the battery
    #[arg(long, value_name = "A", value_parser = positive, allow_negative_numbers = true, help_heading = "The car")]
    pub cca: Option<f64>,
    /// Test standard of those amps: SAE, EN, DIN or IEC. Without it they get less weight
    #[arg(long, value_name = "STANDARD", help_heading = "The car")]
    pub cca_standard: Option<CrankingStandard>,
    /// Kind of battery: flooded, efb, agm, gel or lifepo4 [default: flooded]
    #[arg(long, value_name = "KIND", help_heading = "The car")]
    pub battery: Option<BatteryKind>,
    /// Temperature of the battery, °C [default: as logged, else 25]
    #[arg(long, value_name = "C", value_parser = battery_degrees, allow_negative_numbers = true, help_heading = "The car")]
    pub battery_c: Option<f64>,
    /// Capacity of the battery
    #[arg(long, value_name = "AH", value_parser = positive, allow_negative_numbers = true, help_heading = "The car")]
    pub ah: Option<f64>,
    /// Amps of a load, e.g. fans=31, or with the voltage they were measured at: fans=29@12.6
    #[arg(long = "load-amps", value_name = "LOAD=A[@V]", value_parser = load_amps, help_heading = "The car")]
    pub load_amps: Vec<(String, LoadAmps)>,
    /// Amps of the starter while it cranks the engine
    #[arg(long = "starter-amps", value_name = "A", value_parser = positive, allow_negative_numbers = true, help_heading = "The car")]
    pub starter_amps: Option<f64>,
    /// The charging cable from alternator post to battery positive, one way,
    /// e.g. 25mm2:3.2m or 2/0AWG:10ft
    #[arg(long, value_name = "GAUGE:LENGTH", help_heading = "The car")]
    pub cable: Option<CableRun>,
    /// The ground path from battery negative to alternator case, one way
    #[arg(long, value_name = "GAUGE:LENGTH", help_heading = "The car")]
    pub ground: Option<CableRun>,
    /// The regulator's setpoint, if known from its data sheet
    #[arg(long, value_name = "V", value_parser = positive, allow_negative_numbers = true, help_heading = "The car")]
    pub setpoint_v: Option<f64>,
    /// The alternator's output sheet: a CSV of alternator rpm and amps
    #[arg(long, value_name = "FILE", help_heading = "The car")]
    pub alternator_curve: Option<PathBuf>,
    /// Test voltage of the output sheet, if the sheet does not state it
    #[arg(long, value_name = "V", value_parser = positive, allow_negative_numbers = true, help_heading = "The car")]
    pub curve_v: Option<f64>,
    /// Test temperature of the output sheet, °C, if the sheet does not state it
    #[arg(long, value_name = "C", value_parser = degrees, allow_negative_numbers = true, help_heading = "The car")]
    pub curve_c: Option<f64>,
}

pub fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err(format!("{text:?} is not a number over 0")),
    }
}

fn load_amps(text: &str) -> Result<(String, LoadAmps), String> {
    let (load, amps) =
        text.split_once('=').ok_or("write it as LOAD=AMPS, e.g. fans=31 or fans=29@12.6")?;
    Ok((load.trim().to_owned(), amps.parse()?))
}

pub fn degrees(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (-60.0..=200.0).contains(&value) => Ok(value),
        _ => Err(format!("{text:?} is not a test temperature, in °C")),
    }
}

fn battery_degrees(text: &str) -> Result<f64, String> {
    let stated = text.parse().ok().filter(|c| BATTERY_RANGE_C.contains(c));
    stated.ok_or_else(|| not_of_a_battery(format_args!("{text:?}")))
}

impl CarFlags {
    /// The facts about the car of `log`: its file's, overruled by flags.
    pub fn car(&self, log: &Path) -> Result<Car, CarError> {
        let mut car = match &self.car {
            Some(path) => Car::load(path)?,
            None => Car::beside(log)?.map(|(_, car)| car).unwrap_or_default(),
        };
        car.battery.cca_a = self.cca.or(car.battery.cca_a);
        car.battery.cca_standard = self.cca_standard.or(car.battery.cca_standard);
        car.battery.kind = self.battery.or(car.battery.kind);
        car.battery.capacity_ah = self.ah.or(car.battery.capacity_ah);
        car.battery.temperature_c = self.battery_c.or(car.battery.temperature_c);
        car.setpoint_v = self.setpoint_v.or(car.setpoint_v);
        car.starter_a = self.starter_amps.or(car.starter_a);
        car.cable = self.cable.clone().or(car.cable);
        car.ground = self.ground.clone().or(car.ground);
        for (load, amps) in &self.load_amps {
            car.loads_a.retain(|known, _| known.to_lowercase() != load.to_lowercase());
            car.loads_a.insert(load.clone(), *amps);
        }
        let alternator = &mut car.alternator;
        alternator.curve = self.alternator_curve.clone().or(alternator.curve.take());
        alternator.curve_v = self.curve_v.or(alternator.curve_v);
        alternator.curve_c = self.curve_c.or(alternator.curve_c);
        car.read_sheet()?;
        Ok(car)
    }

    /// A warning if test conditions are given without a sheet.
    pub fn useless_conditions(&self, car: &Car) -> Option<String> {
        let given = self.curve_v.is_some() || self.curve_c.is_some();
        (given && car.alternator.sheet.is_none()).then(|| {
            "--curve-v and --curve-c have no effect without --alternator-curve FILE".to_owned()
        })
    }

    /// Gives the loads of `car` the names they have in `log`. Returns a warning for each
    /// `--load-amps` that matches no load; a car's file may list more loads than one log
    /// shows.
    pub fn unknown_loads(&self, car: &mut Car, log: &Log) -> Vec<String> {
        let loads = log.load_names();
        let unknown = car.name_loads(loads);
        let asked = unknown.iter().filter(|name| self.load_amps.iter().any(|(l, _)| l == *name));
        asked
            .map(|name| match loads {
                [] => format!("--load-amps {name} has no effect: the log has no load columns"),
                loads => format!(
                    "--load-amps {name} has no effect: the loads are \"{}\"",
                    loads.join("\", \"")
                ),
            })
            .collect()
    }
}

impl ReadFlags {
    /// Column requests from the car's file first, so that flags come last and win.
    pub fn options(&self, car: &Car) -> Result<ReadOptions, RequestError> {
        if self.any_voltage {
            return Err(RequestError::AnyVoltage);
        }
        let mut columns = RoleRequest::from_car(car)?;
        columns.extend(self.columns.iter().cloned());
        Ok(ReadOptions {
            columns,
            sample_rate_hz: self.sample_rate,
            marks: self.marks.clone(),
            marks_file: self.marks_file.clone(),
            nominal: self.nominal.or(car.nominal_v),
        })
    }
}
