//! Battery, alternator, cable and bus: pure formulas, each with its source.
