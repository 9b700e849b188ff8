//! What may be wanted of an export.

use model::Span;

/// How the time of a row is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TimeColumn {
    /// Seconds since the session's first record.
    #[default]
    Seconds,
    /// UTC, by the newest anchor at or before the moment, as it was corrected.
    Utc,
}

/// A moment, as a person names it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum When {
    /// Seconds since the session's first record.
    Seconds(f64),
    /// UTC in nanoseconds since 1970-01-01T00:00:00Z, as it was corrected.
    Utc(i64),
}

/// The moments of the rows of the wide shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Every {
    /// At a fixed distance, beginning with the range.
    Time(Span),
    /// Whenever this channel was read.
    SampleOf(String),
}

/// Which value a channel has at a moment at which it was not read. Only good readings count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Fill {
    /// That of the newest reading at or before the moment; none after a gap, after a reading that is not good, and
    /// when it is older than the greatest age.
    #[default]
    Last,
    /// On the straight line between the readings before and after; none across a gap, across a reading that is not
    /// good, and where the two lie further apart than the greatest age.
    Linear,
    /// That of the reading nearest to the moment, among those nearer to it than to any other row's moment; none where
    /// there is none. A reading in the very middle belongs to the later row; of two equally near the earlier counts.
    None,
}

/// The shape of the table.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// One reading or gap a row, as recorded.
    Long,
    /// One moment a row, one channel a column.
    Wide {
        /// The moments.
        every: Every,
        /// The values.
        fill: Fill,
        /// How old a reading may be for [`Fill::Last`], how far apart two for [`Fill::Linear`], how far away one for
        /// [`Fill::None`].
        max_age: Span,
    },
}

impl Shape {
    /// In words, for the metadata of a Parquet file.
    pub(super) fn words(&self) -> String {
        match self {
            Self::Long => "rows as recorded".into(),
            Self::Wide { every, fill, max_age } => {
                let every = match every {
                    Every::Time(step) => format!("every {} ns", step.0),
                    Every::SampleOf(channel) => format!("at each reading of {channel}"),
                };
                let fill = match fill {
                    Fill::Last => "last value",
                    Fill::Linear => "linear between readings",
                    Fill::None => "nearest reading of the row's own cell",
                };
                format!("{every}; {fill}; no older or further apart than {} ns", max_age.0)
            }
        }
    }
}

/// What is wanted of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct ExportOptions {
    /// Ids of channels, in the order of their columns; empty for all that the session's description names.
    pub channels: Vec<String>,
    /// The shape.
    pub shape: Shape,
    /// Only what lies within this step of the procedure, every time it was gone through.
    pub step: Option<String>,
    /// From this moment.
    pub from: Option<When>,
    /// To this moment, which is included.
    pub to: Option<When>,
    /// Channels and the units (UCUM) in which they are wanted.
    pub units: Vec<(String, String)>,
    /// How the time is told.
    pub time: TimeColumn,
}

/// How many digits a value has.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Digits {
    /// As many decimal places as tell one count of the channel from the next, and no more.
    #[default]
    Resolution,
    /// This many decimal places.
    Places(u8),
    /// As many as are needed to read the same number back.
    All,
}

/// How comma-separated values are written (RFC 4180 where the separator is a comma).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CsvForm {
    /// Between two cells: one ASCII character.
    pub separator: u8,
    /// Whether a comma stands for the decimal point.
    pub decimal_comma: bool,
    /// Digits of the values.
    pub digits: Digits,
}

impl Default for CsvForm {
    fn default() -> Self {
        Self { separator: b',', decimal_comma: false, digits: Digits::Resolution }
    }
}

/// The form of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Comma-separated values.
    Csv(CsvForm),
    /// Parquet: values as 64-bit floats, one column a channel.
    Parquet,
}
