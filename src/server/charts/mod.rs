//! The picture of one site: compartment pressures, diastolics, delta pressure with its threshold, what
//! stands beside it, and while anaesthesia is recorded.
//!
//! Comes in: an [`Assessment`](crate::patient::Assessment), the sheet, the time, second differences and contexts.
//! Goes out: one SVG as markup. Pure: no I/O,
//! no clock. Every number that is drawn stands in words in the chart's description and in the
//! table of evidence beneath it; colour is never the only sign (each kind has its own shape).

mod beside;
mod describe;
mod draw;
mod legend;
mod marks;
mod model;
mod scale;

pub use beside::{BesidePoint, Shade};
pub use draw::draw;
pub use legend::legend_below;
pub use model::{DeltaKind, DeltaPoint, DiastolicPoint, PressurePoint, SiteChart, Threshold};

/// Hours of readings that a chart draws, up to its right edge. Older ones stand in the table only,
/// and the chart says how many there are.
pub const CHART_HOURS: i64 = 24;

/// Two readings further apart than this (minutes) are not joined by a line: nothing is known of
/// the time between them. Ours; as long as the adult sheet carries a compartment reading.
pub const GAP_MINUTES: i64 = 240;

/// Half the height of the band around the delta line, mmHg: of readings made correctly 60 % were within
/// 5 mmHg, so 40 % were further off (Large 2015, J Orthop Trauma 29:316-21, 38 physicians on 4 cadaver
/// limbs, C; the author's name M).
pub const SPREAD_MMHG: i64 = 5;
