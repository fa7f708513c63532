//! What is assumed where neither log nor car states it: one table, each row with its 90 % range,
//! unit and source. Fixed voltages, which go with the number of cells, are in [`crate::levels`].

use crate::estimate::Z90;

/// The source of a row that names no other.
pub const COMMON_PRACTICE: &str = "common practice, no source";

/// One row. The range holds nine cars or instruments in ten.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Assumption {
    pub value: f64,
    range: Range,
    /// Empty for a ratio.
    pub unit: &'static str,
    pub source: &'static str,
}

/// How a row states its range.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Range {
    Between(f64, f64),
    /// So much either way.
    Within(f64),
    /// So many times less or more.
    Factor(f64),
    /// Standard deviation of a normal distribution.
    Deviation(f64),
}

impl Assumption {
    const fn new(value: f64, range: Range, unit: &'static str) -> Assumption {
        Assumption { value, range, unit, source: COMMON_PRACTICE }
    }

    const fn source(self, source: &'static str) -> Assumption {
        Assumption { source, ..self }
    }

    pub const fn low(&self) -> f64 {
        match self.range {
            Range::Between(low, _) => low,
            Range::Within(half) => self.value - half,
            Range::Factor(factor) => self.value / factor,
            Range::Deviation(sd) => self.value - Z90 * sd,
        }
    }

    pub const fn high(&self) -> f64 {
        match self.range {
            Range::Between(_, high) => high,
            Range::Within(half) => self.value + half,
            Range::Factor(factor) => self.value * factor,
            Range::Deviation(sd) => self.value + Z90 * sd,
        }
    }

    /// Half of the range, in the row's unit.
    pub const fn half_width(&self) -> f64 {
        match self.range {
            Range::Within(half) => half,
            _ => (self.high() - self.low()) / 2.0,
        }
    }

    /// Standard deviation, in the row's unit.
    pub const fn sd(&self) -> f64 {
        match self.range {
            Range::Deviation(sd) => sd,
            _ => self.half_width() / Z90,
        }
    }

    /// The value at a standard normal coordinate.
    pub fn at(&self, z: f64) -> f64 {
        self.times(1.0, z)
    }

    /// The same of a value `scale` times as large.
    pub fn times(&self, scale: f64, z: f64) -> f64 {
        match self.range {
            Range::Factor(factor) => scale * self.value * factor.powf(z / Z90),
            _ => scale * (self.value + self.half_width() * z / Z90),
        }
    }
}

/// The middle of two values, and how far they are from it.
const fn between(low: f64, high: f64, unit: &'static str) -> Assumption {
    ranged((low + high) / 2.0, low, high, unit)
}

const fn ranged(value: f64, low: f64, high: f64, unit: &'static str) -> Assumption {
    Assumption::new(value, Range::Between(low, high), unit)
}

const fn within(value: f64, half_width: f64, unit: &'static str) -> Assumption {
    Assumption::new(value, Range::Within(half_width), unit)
}

const fn factor(value: f64, factor: f64, unit: &'static str) -> Assumption {
    Assumption::new(value, Range::Factor(factor), unit)
}

const fn normal(mean: f64, sd: f64, unit: &'static str) -> Assumption {
    Assumption::new(mean, Range::Deviation(sd), unit)
}

/// Declares the rows, and lists them by name.
macro_rules! table {
    ($($(#[$doc:meta])* $name:ident = $row:expr;)*) => {
        $($(#[$doc])* pub const $name: Assumption = $row;)*
        pub const ALL: &[(&str, Assumption)] = &[$((stringify!($name), $name)),*];
    };
}

table! {
    // Instruments.

    /// Zero error of a clamp meter or shunt that was zeroed before use.
    CLAMP_ZERO = within(0.0, 0.5, "A");
    CLAMP_GAIN = within(1.0, 0.02, "");
    /// How far two voltage channels at one level differ that nobody compared.
    CHANNELS_APART = within(0.0, 0.05, "V");
    /// Error of one voltage channel near 0 V.
    CHANNEL_ZERO = within(0.0, 0.02, "V");
    /// Ratio of the gains of two voltage channels.
    CHANNEL_GAINS = within(1.0, 0.003, "");
    /// Calibration of a logger's voltage.
    LOGGER_CALIBRATION = within(0.0, 0.03, "V");
    /// Temperature of an alternator over that of the one spot that is logged.
    ALTERNATOR_SPOT = within(0.0, 10.0, "°C");
    /// True alternator speed over the logged one.
    LOGGED_SPEED = ranged(1.0, 0.99, 1.01, "");
    /// True alternator speed over engine speed times the stated ratio: pulleys are measured
    /// roughly, and a sound belt creeps by 1 to 2 %.
    RATIO_SPEED = ranged(1.0, 0.97, 1.01, "");

    // Stated amps: the motor, its voltage and its load differ from the label.

    LABEL_OFFSET = within(0.0, 0.5, "A");
    LABEL_SHARE = within(1.0, 0.06, "");
    /// Stated starter amps; a cold engine needs more.
    STARTER_SHARE = within(1.0, 0.15, "");

    // Loads, at 13.5 V.

    FAN = within(20.0, 12.0, "A");
    AIR_CONDITIONER_CLUTCH = within(4.5, 2.0, "A");
    BLOWER = within(13.0, 8.0, "A");
    LAMPS = within(11.0, 4.0, "A");
    PUMP = within(8.0, 4.0, "A");
    SCREEN_HEATER = within(16.0, 6.0, "A");
    SEAT_HEATER = within(8.0, 4.0, "A");
    WIPERS = within(5.0, 3.0, "A");
    OTHER_LOAD = within(13.0, 12.0, "A");
    /// What draws whenever an engine runs: ignition, pumps and control.
    ALWAYS_ON = within(17.0, 16.0, "A");
    /// Drawn with the engine stopped and all loads off: almost none asleep, a few amps just
    /// after.
    ASLEEP = normal(0.5, 0.4, "A");

    // Alternator.

    /// Pulley ratio of a passenger car.
    PULLEY_RATIO = ranged(2.6, 2.0, 3.2, "");
    /// Rated current.
    RATED_CURRENT = ranged(100.0, 50.0, 180.0, "A");
    /// Share of the cold output lost when heat-soaked.
    HEAT_LOSS = between(0.10, 0.25, "");
    /// Share of that way which a warm engine's alternator has gone.
    WARM_ALTERNATOR = between(0.6, 1.0, "");
    /// Time constant of its warming.
    WARMING_TIME = between(150.0, 450.0, "s");
    /// Output at idle, less the loads that are always on: 15 to 90 A less 10 to 30 A.
    SPARE_AT_IDLE = normal(20.0, 30.0, "A");
    /// Battery current at idle with the alternator at its limit, under the loads that were on:
    /// much higher, and the bus would have reached its setpoint; much lower, and the car would
    /// not have been driven, since a battery that discharges at 30 A lasts an hour or two.
    BATTERY_AT_LIMIT = normal(0.0, 20.0, "A");
    /// Change of output as it warms.
    WARMING_RATE = normal(-0.3, 0.7, "A/min");
    /// Slope of output on engine speed around idle: a third of 70 A gained between 1500 and
    /// 2000 alternator rpm at 2.5:1.
    OUTPUT_PER_RPM = normal(0.06, 0.05, "A/rpm");
    /// What a 12 V battery gets in addition as the bus falls by a volt: other loads draw less, and
    /// a slow alternator makes more.
    SPARE_PER_VOLT = normal(3.5, 2.0, "A/V");
    /// How the balance differs from one visit to the next,
    VISIT = normal(0.0, 0.7, "A");
    /// and where engine speed is not logged and may differ.
    VISIT_AT_ANY_SPEED = normal(0.0, 8.0, "A");

    // Battery. Volts and ohms are those of six cells.

    /// Resistance of a passenger car's battery some seconds into a discharge.
    BATTERY_RESISTANCE = ranged(0.0055, 0.0025, 0.0125, "Ω");
    /// Resistance over the label's: new batteries beat their label, old ones fall well short.
    BATTERY_CONDITION = ranged(0.93, 0.5, 1.55, "");
    /// Resistance at 25 °C over that at −18 °C: about half on a mild day.
    WARM_RESISTANCE = ranged(0.55, 0.38, 0.75, "");
    /// Capacity of a passenger car's battery.
    CAPACITY = factor(62.0, 1.6, "Ah");
    /// Capacity over the stated one.
    STATED_CAPACITY = factor(1.0, 1.15, "");
    /// Cold-cranking amps by SAE J537 for each Ah of capacity,
    CRANKING_PER_AH = ranged(9.2, 8.0, 10.5, "A/Ah");
    /// and capacity over what these make of the label's amps.
    CAPACITY_BY_CRANKING = factor(1.0, 1.2, "");
    /// Peukert's exponent of flooded and AGM starter batteries.
    PEUKERT = ranged(1.2, 1.1, 1.3, "").source(
        "common practice; the law is W. Peukert's, Elektrotechnische Zeitschrift 20, 1897, from memory",
    );
    /// Rest voltage of one battery kind over its table at the same state of charge.
    ACID = within(0.0, 0.05, "V");
    /// Rest voltage after half a minute over that of the table: the acid still equalizes, and the
    /// battery warms under the hood.
    REST_DRIFT = within(0.0, 0.05, "V");
    /// The same where the log shows no rest.
    UNSEEN_REST = within(0.0, 0.06, "V");
    /// Ohmic share of the resistance after a few seconds,
    OHMIC_SHARE = within(0.5, 0.15, "");
    /// and that of the fast polarization, with its time constant.
    FAST_SHARE = within(0.3, 0.1, "");
    FAST_TIME = factor(3.0, 2.0, "s");
    /// Slow polarization over the resistance after a few seconds, with its time constant;
    SLOW_SHARE = factor(0.65, 1.5, "");
    SLOW_TIME = factor(110.0, 2.0, "s");
    /// near zero for thin plates and warm acid.
    SLOW_SHARE_OF_THIN_PLATES = factor(0.1, 3.0, "");
    /// Acceptance resistance over the usual one;
    ACCEPTANCE = factor(1.0, 2.0, "");
    /// some batteries, sealed ones above all, accept several times the current.
    EASY_ACCEPTANCE = factor(0.25, 2.5, "");
    /// Most surface charge.
    SURFACE_CHARGE = within(0.55, 0.25, "V");
    /// Charge that builds it, and time in which it fades, over the usual ones.
    SURFACE_BUILD = factor(1.0, 2.5, "");
    SURFACE_FADE = factor(1.0, 2.5, "");
    /// Charge that removes it, over two minutes of headlamps;
    SURFACE_STRIP = factor(1.0, 1.7, "");
    /// porous-electrode models of a battery without grids and straps need a tenth of it.
    EASY_STRIP = factor(0.15, 2.5, "");

    // Cable.

    /// Resistance of stranded cable over solid wire of the stated cross-section: the lay of the
    /// strands, and the copper that a cable class may save.
    STRANDED = between(1.00, 1.08, "").source(
        "ISO 6722 allows 0.743 mΩ/m for 25 mm² at 20 °C, 7.7 % over solid wire; from memory",
    );
    /// From a cold bay to one that is heat-soaked, with the cable's own heat.
    CABLE_TEMPERATURE = between(20.0, 90.0, "°C");
    /// Both ends, each a crimped lug on a stud, when sound.
    TERMINALS = between(0.0, 0.3e-3, "Ω");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_has_a_range_around_its_value_and_a_source() {
        for (name, row) in ALL {
            assert!(row.low() <= row.value && row.value <= row.high(), "{name}");
            assert!(row.low() < row.high() && !row.source.is_empty(), "{name}");
        }
    }

    /// By hand: 1.645 standard deviations are one half-width, and one factor.
    #[test]
    fn a_coordinate_of_one_half_width_is_the_end_of_the_range() {
        for row in [OHMIC_SHARE, FAST_TIME, WARMING_RATE] {
            assert!((row.at(Z90) - row.high()).abs() < 1e-12, "{row:?}");
            assert!((row.at(-Z90) - row.low()).abs() < 1e-12, "{row:?}");
        }
    }
}
