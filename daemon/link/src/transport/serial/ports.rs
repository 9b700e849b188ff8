//! The serial ports of this computer.
//!
//! On Linux they are read from the kernel's own folders (`class/tty`, described in the kernel's
//! Documentation/ABI/testing/sysfs-tty); no device is opened for it.

use std::path::{Path, PathBuf};

/// Where the system's own folders lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Roots {
    /// What the kernel tells of its devices.
    pub sys: PathBuf,
    /// The devices themselves.
    pub dev: PathBuf,
    /// The system's settings: its groups.
    pub etc: PathBuf,
}

impl Default for Roots {
    fn default() -> Self {
        Self { sys: "/sys".into(), dev: "/dev".into(), etc: "/etc".into() }
    }
}

/// Paths of the ports that there are, in the order of their names; none where the system does not tell.
pub(super) fn paths(roots: &Roots) -> Vec<PathBuf> {
    names(roots).iter().map(|name| roots.dev.join(name)).collect()
}

/// Names of terminals with hardware behind them.
fn names(roots: &Roots) -> Vec<String> {
    let Ok(folder) = roots.sys.join("class/tty").read_dir() else { return Vec::new() };
    let entries = folder.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let mut names: Vec<String> = entries.filter(|name| is_port(roots, name)).collect();
    names.sort_by_key(|name| natural(name));
    names
}

fn is_port(roots: &Roots, name: &str) -> bool {
    let class = roots.sys.join("class/tty").join(name);
    // Consoles and pseudo-terminals have no device; places of the board's driver without a chip have type 0.
    class.join("device").exists()
        && read(&class.join("type")).as_deref() != Some("0")
        && roots.dev.join(name).exists()
}

/// So that the tenth comes after the ninth.
fn natural(name: &str) -> (String, u64) {
    let digits = name.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (word, number) = name.split_at(name.len() - digits);
    (word.to_string(), number.parse().unwrap_or(0))
}

fn read(path: &Path) -> Option<String> {
    std::fs::read_to_string(path).ok().map(|text| text.trim().to_string())
}

/// Reading and writing for the group, in a file's mode after POSIX.
const GROUP_MAY: u32 = 0o060;

/// The way to a device that this user may not open, from its mode and its group.
pub(super) fn cure_of_denial(mode: u32, gid: u32, roots: &Roots) -> String {
    match group(gid, roots) {
        // Whoever joins the administrator's group may do far more than open a port.
        Some(group) if mode & GROUP_MAY == GROUP_MAY && gid != 0 => format!(
            "it belongs to the group '{group}': join it with 'sudo usermod -aG {group} \"$USER\"', then log out and in"
        ),
        _ => "no group may use it: give it to one by a rule of the device manager, or ask whoever looks after this \
              computer"
            .into(),
    }
}

/// The name of a group in the system's list (group(5) of the Linux manual pages: name, password, number, members).
fn group(gid: u32, roots: &Roots) -> Option<String> {
    let list = std::fs::read_to_string(roots.etc.join("group")).ok()?;
    list.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(gid)).then(|| name.to_string())
    })
}

#[cfg(test)]
#[cfg(unix)]
pub(super) mod tests {
    use std::fs;

    use super::*;

    /// An invented machine: two adapters on USB, one port on the board, a place without a chip, a console.
    pub(in crate::transport::serial) fn machine() -> (Roots, tempfile::TempDir) {
        let folder = tempfile::tempdir().unwrap();
        let roots = Roots {
            sys: folder.path().join("sys"),
            dev: folder.path().join("dev"),
            etc: folder.path().join("etc"),
        };
        fs::create_dir_all(&roots.dev).unwrap();
        fs::create_dir_all(&roots.etc).unwrap();
        fs::write(roots.etc.join("group"), "root:x:0:\nports:x:20:mona,jan\nwheel:x:27:mona\n").unwrap();
        for (name, device, kind) in [
            ("console", false, None),
            ("ttyS0", true, Some("4\n")),
            ("ttyS1", true, Some("0\n")),
            ("ttyUSB0", true, None),
            ("ttyUSB1", true, None),
        ] {
            let class = roots.sys.join("class/tty").join(name);
            fs::create_dir_all(if device { class.join("device") } else { class.clone() }).unwrap();
            if let Some(kind) = kind {
                fs::write(class.join("type"), kind).unwrap();
            }
            fs::write(roots.dev.join(name), "").unwrap();
        }
        (roots, folder)
    }

    #[test]
    fn only_terminals_with_hardware_behind_them_are_ports() {
        let (roots, _folder) = machine();
        assert_eq!(names(&roots), ["ttyS0", "ttyUSB0", "ttyUSB1"]);
        fs::remove_file(roots.dev.join("ttyUSB0")).unwrap();
        assert_eq!(paths(&roots), [roots.dev.join("ttyS0"), roots.dev.join("ttyUSB1")]);
        let nowhere = Roots { sys: roots.sys.join("nowhere"), ..roots };
        assert_eq!(names(&nowhere), Vec::<String>::new());
    }

    #[test]
    fn whoever_is_kept_out_is_told_the_group_and_never_sent_into_the_administrators() {
        let (roots, _folder) = machine();
        let told = cure_of_denial(0o20_660, 20, &roots);
        assert!(told.contains("the group 'ports'") && told.contains("usermod -aG ports "), "{told}");
        for (mode, gid) in [(0o20_600, 20), (0o20_640, 20), (0o20_660, 0), (0o20_660, 4_711)] {
            let told = cure_of_denial(mode, gid, &roots);
            assert!(told.starts_with("no group may use it"), "{mode:o} {gid}: {told}");
        }
    }
}
