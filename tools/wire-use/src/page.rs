//! The table, and the page that is committed.

use std::fmt::Write;

use crate::case::Case;
use crate::exchanges::Measured;
use crate::real::Real;

/// The table in Markdown.
pub fn table(rows: &[(Case, Measured)]) -> String {
    let mut table = String::from(
        "| case | characters | controller's P2, ms | its P1, ms | limit, 1/s | exchanges, 1/s | share of the wire | readings, 1/s | readings of the limit | floor |\n\
         | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n",
    );
    for (case, one) in rows {
        // Of several requests in turn no single one has a limit of its own.
        let mixed = one.readings * 2 < one.exchanges;
        let alone = |text: String| if mixed { "-".to_string() } else { text };
        writeln!(
            table,
            "| {} | {} | {:.2} | {:.2} | {} | {:.2} | {:.2} % | {} | {} | {:.0} % |",
            case.words,
            alone(format!("{}/{}", one.characters.0, one.characters.1)),
            one.p2.as_millis_f64(),
            one.p1.as_millis_f64(),
            alone(format!("{:.2}", one.limit)),
            one.rate(),
            one.share(),
            alone(format!("{:.2}", one.reading_rate())),
            alone(format!("{:.2} %", one.reading_share())),
            case.floor,
        )
        .expect("text can always be added to text");
    }
    table
}

/// The table of cases in real time, each beside the same car and timing in a rehearsal.
pub fn real_table(rows: &[(Case, Measured, Real)]) -> String {
    let mut table = String::from(
        "| case | rehearsed, 1/s | over the port, 1/s | of the rehearsed | late at P3, ms: median | 99 % | at P4, ms: median | 99 % | faults |\n\
         | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n",
    );
    for (case, rehearsed, real) in rows {
        writeln!(
            table,
            "| {} | {:.2} | {:.2} | {:.2} % | {:.3} | {:.3} | {:.3} | {:.3} | {} |",
            case.words,
            rehearsed.rate(),
            real.measured.rate(),
            100.0 * real.measured.rate() / rehearsed.rate(),
            real.request_late.median.as_millis_f64(),
            real.request_late.p99.as_millis_f64(),
            real.character_late.median.as_millis_f64(),
            real.character_late.p99.as_millis_f64(),
            real.faults,
        )
        .expect("text can always be added to text");
    }
    table
}

/// The page with where it comes from.
pub fn page(revision: &str, command: &str, rows: &[(Case, Measured)]) -> String {
    format!(
        "# Use of the wire\n\nRevision {revision}. Made by `{command}`.\n\n{EXPLAINED}\n\n{}",
        table(rows)
    )
}

/// What the columns mean.
const EXPLAINED: &str = "\
The real driver on a rehearsal clock, the bench car's controller at the other end of the virtual line; the same on\n\
every machine. Exchanges are counted in the controller's own log, from the end of one answer to the end of another.\n\
The limit is T = Nq Tb + (Nq-1) P4 + P2 + Nr Tb + (Nr-1) P1 + P3 with Tb = 10 / baud (ISO 14230-2, clause 4.3): P3 and\n\
P4 at the minimum in force, P2 and P1 as the controller really took them, read in its log. Where it is not said\n\
otherwise the controller answers at P2min with P1 = 0, the hardest case: none of its delays hides one of this side's.\n\
Single bytes have no P2 and P1 of a standard; the columns then tell the same times. *Share of the wire*: what all exchanges, each\n\
with its own length, could not do without, against the time that passed. *Readings of the limit*: readings alone against\n\
a wire on which nothing else is said, so that refreshing a hold counts as lost. The floor is what the share must reach.";
