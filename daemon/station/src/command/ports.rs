//! `holdgate ports`.

use std::path::Path;

use clap::Args;
use link::transport::serial::ports::{Port, PortKind, Roots, User, list};
use model::Ending;
use serde::Serialize;

use crate::adapter::THROTTLES;
use crate::sides::screen::{Screen, Style};

/// Columns that a table may take.
const WIDTH: usize = 100;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Write one JSON object instead of a table
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Ending {
    let screen = Screen::terminal(Style::Plain);
    let rows = rows(&Roots::default());
    screen.line(&if arguments.json { json(&rows) } else { table(&rows) });
    Ending::Passed
}

/// A port as it is told.
#[derive(Debug, Clone, Serialize)]
struct Row {
    path: String,
    stable_path: Option<String>,
    kind: &'static str,
    usb: Option<UsbRow>,
    may_open: bool,
    /// What opens it to this user, where he may not.
    cure: Option<String>,
    busy: bool,
    used_by: Option<UserRow>,
    /// Whole milliseconds for which the adapter may hold characters back, where it tells.
    held_back_ms: Option<u64>,
    throttles: bool,
}

#[derive(Debug, Clone, Serialize)]
struct UsbRow {
    /// Four hexadecimal digits, as the device says.
    vendor_id: String,
    product_id: String,
    vendor: Option<String>,
    product: Option<String>,
}

#[derive(Debug, Clone, Serialize)]
struct UserRow {
    process: u32,
    program: Option<String>,
}

fn rows(roots: &Roots) -> Vec<Row> {
    list(roots).into_iter().map(|port| row(port, roots)).collect()
}

fn row(port: Port, roots: &Roots) -> Row {
    let words = |path: &Path| path.display().to_string();
    let held_back = os::adapter::latency(&port.path, &roots.sys);
    let (kind, usb) = match port.kind {
        PortKind::Usb(usb) => (
            "usb",
            Some(UsbRow {
                vendor_id: format!("{:04x}", usb.vendor),
                product_id: format!("{:04x}", usb.product),
                vendor: usb.vendor_name,
                product: usb.product_name,
            }),
        ),
        PortKind::Radio => ("radio", None),
        PortKind::OnBoard => ("on_board", None),
    };
    Row {
        path: words(&port.path),
        stable_path: port.stable.as_deref().map(words),
        kind,
        usb,
        may_open: port.denied.is_none(),
        cure: port.denied,
        busy: port.used.is_some(),
        used_by: port.used.and_then(|user| match user {
            User::Program { process, name } => Some(UserRow { process, program: name }),
            User::Unseen => None,
        }),
        held_back_ms: held_back.and_then(|time| u64::try_from(time.as_millis()).ok()),
        throttles: held_back.is_some_and(|time| time > THROTTLES),
    }
}

fn json(rows: &[Row]) -> String {
    serde_json::json!({ "ports": rows }).to_string()
}

impl Row {
    fn what(&self) -> String {
        match &self.usb {
            Some(usb) => {
                let number = format!("USB {}:{}", usb.vendor_id, usb.product_id);
                let named = [&usb.vendor, &usb.product].into_iter().flatten().cloned();
                std::iter::once(number).chain(named).collect::<Vec<_>>().join(" ")
            }
            None if self.kind == "radio" => "radio link".into(),
            None => "on board".into(),
        }
    }

    fn state(&self) -> String {
        match &self.used_by {
            Some(UserRow { process, program: Some(program) }) => format!("used by {program} ({process})"),
            Some(UserRow { process, program: None }) => format!("used by process {process}"),
            None if self.busy => "used by another program".into(),
            None if !self.may_open => "you may not open it".into(),
            None => "free".into(),
        }
    }

    fn held_back(&self) -> String {
        self.held_back_ms.map_or_else(|| "-".into(), |time| format!("{time} ms"))
    }
}

fn table(rows: &[Row]) -> String {
    if rows.is_empty() {
        return "no serial port found\n  \
                plug the adapter in and look again; try another USB socket and another cable;\n  \
                a virtual machine must be handed the device; journalctl -k shows whether the system saw it"
            .into();
    }
    let cells = rows.iter().map(|row| [row.path.clone(), row.what(), row.state(), row.held_back()]);
    let head = ["port", "what it is", "state", "held back"].map(String::from);
    // What an adapter calls itself may be long; a program's name has 15 characters at most (TASK_COMM_LEN, proc(5)).
    let cells: Vec<[String; 4]> = std::iter::once(head)
        .chain(cells.map(|[path, what, state, held]| [path, cut(&what, 38), cut(&state, 34), held]))
        .collect();
    let width = |column: usize| cells.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
    let (path, what, state) = (width(0), width(1), width(2));
    let line = |cell: &[String; 4]| {
        format!("{:path$}  {:what$}  {:state$}  {}", cell[0], cell[1], cell[2], cell[3])
            .trim_end()
            .to_string()
    };
    let mut lines = vec![line(&cells[0])];
    for (row, cell) in rows.iter().zip(&cells[1..]) {
        lines.push(line(cell));
        // Never cut or broken: it is there to be copied.
        lines.extend(row.stable_path.iter().map(|stable| format!("  {stable}")));
        lines.extend(row.cure.iter().flat_map(|cure| wrapped(cure)));
    }
    if rows.iter().any(|row| row.throttles) {
        let words = format!(
            "An adapter that holds characters back for more than {} ms costs a good part of the readings in every \
             second. It is set to 1 ms when the port is opened, where the system allows it.",
            THROTTLES.as_millis()
        );
        lines.push(String::new());
        lines.extend(wrapped(&words));
    }
    lines.join("\n")
}

fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.into();
    }
    text.chars().take(most - 1).chain(['…']).collect()
}

/// Lines of at most [`WIDTH`] columns, set in by two.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines = vec![String::from(" ")];
    for word in text.split_whitespace() {
        let last = lines.last_mut().expect("there is one from the start");
        if last.chars().count() + 1 + word.chars().count() > WIDTH && last.len() > 1 {
            lines.push(format!("  {word}"));
        } else {
            last.push(' ');
            last.push_str(word);
        }
    }
    lines
}

#[cfg(test)]
#[cfg(unix)]
mod tests {
    use std::fs;
    use std::os::unix::fs::symlink;

    use tempfile::TempDir;

    use super::*;

    /// An invented machine with an adapter that throttles, one that does not and is used, and a port on the board.
    fn machine() -> (Roots, TempDir) {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let roots = Roots { sys: at("sys"), proc: at("proc"), dev: at("dev"), etc: at("etc") };
        let usb = |number: u32, texts: &[(&str, &str)], latency: &str| {
            let device = format!("usb1/1-{number}");
            let port = roots.sys.join("devices").join(&device).join(format!("1-{number}:1.0/ttyUSB{number}"));
            fs::create_dir_all(&port).unwrap();
            fs::write(port.join("latency_timer"), latency).unwrap();
            for (file, text) in texts {
                fs::write(roots.sys.join("devices").join(&device).join(file), text).unwrap();
            }
            port
        };
        let quick = [("idVendor", "1a2b"), ("idProduct", "0c4d"), ("product", "Quick Cable\n")];
        let slow = [
            ("idVendor", "1a2b\n"),
            ("idProduct", "0001\n"),
            ("manufacturer", "Example Works of the Old Harbour\n"),
            ("product", "Slow Cable\n"),
        ];
        let board = roots.sys.join("devices/board");
        fs::create_dir_all(&board).unwrap();
        let devices =
            [("ttyS0", board), ("ttyUSB0", usb(0, &slow, "16\n")), ("ttyUSB1", usb(1, &quick, "1\n"))];
        fs::create_dir_all(roots.dev.join("serial/by-id")).unwrap();
        for (name, device) in devices {
            fs::write(roots.dev.join(name), "").unwrap();
            let class = roots.sys.join("class/tty").join(name);
            fs::create_dir_all(&class).unwrap();
            symlink(device, class.join("device")).unwrap();
        }
        let id = "usb-Example_Works_of_the_Old_Harbour_Slow_Cable_0042-if00-port0";
        symlink("../../ttyUSB0", roots.dev.join("serial/by-id").join(id)).unwrap();
        fs::create_dir_all(roots.proc.join("321/fd")).unwrap();
        fs::write(roots.proc.join("321/comm"), "old-serial-term\n").unwrap();
        symlink(roots.dev.join("ttyUSB1").canonicalize().unwrap(), roots.proc.join("321/fd/3")).unwrap();
        (roots, folder)
    }

    /// What is told of that machine, as if its folders lay at the top.
    fn told() -> Vec<Row> {
        let (roots, folder) = machine();
        let top = folder.path().display().to_string();
        let mut rows = rows(&roots);
        for row in &mut rows {
            row.path = row.path.replace(&top, "");
            row.stable_path = row.stable_path.take().map(|path| path.replace(&top, ""));
        }
        // This user made the tree and may open everything in it.
        rows[0].may_open = false;
        rows[0].cure = Some(
            "it belongs to the group 'ports': join it with 'sudo usermod -aG ports \"$USER\"', then log out and in"
                .into(),
        );
        rows
    }

    #[test]
    fn the_table_fits_and_says_what_is_known() {
        let table = table(&told());
        assert!(table.lines().all(|line| line.chars().count() <= WIDTH), "{table}");
        insta::assert_snapshot!(table);
    }

    #[test]
    fn the_same_as_json() {
        let value: serde_json::Value = serde_json::from_str(&json(&told())).unwrap();
        insta::assert_snapshot!(serde_json::to_string_pretty(&value).unwrap());
    }

    #[test]
    fn where_nothing_is_found_it_says_what_to_try() {
        let nowhere = Roots { sys: "/nowhere".into(), ..Roots::default() };
        insta::assert_snapshot!(table(&rows(&nowhere)));
        assert_eq!(json(&rows(&nowhere)), r#"{"ports":[]}"#);
    }

    #[test]
    fn whoever_uses_a_port_is_named_as_far_as_he_is_known() {
        let mut row = told().swap_remove(2);
        row.used_by = Some(UserRow { process: 7, program: None });
        assert_eq!(row.state(), "used by process 7");
        row.used_by = None;
        assert_eq!(row.state(), "used by another program");
        row.busy = false;
        assert_eq!(row.state(), "free");
    }
}
