//! Log to phases, load steps and operating points.
