//! Terminal, JSON, HTML, SVG and tables, all drawn from a [`Diagnosis`](crate::diagnosis::Diagnosis) alone.
