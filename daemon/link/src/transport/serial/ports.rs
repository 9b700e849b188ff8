//! The serial ports of this computer.
//!
//! On Linux they are read from the kernel's own folders (`class/tty`, described in the kernel's
//! Documentation/ABI/testing/sysfs-tty; `/proc`, proc(5) of the Linux manual pages). No device is opened for it: that
//! would raise the modem lines of a port that nobody uses.

#[cfg(unix)]
mod groups;
#[cfg(unix)]
mod holders;
#[cfg(test)]
#[cfg(unix)]
pub(super) mod tests;

use std::path::{Path, PathBuf};

#[cfg(unix)]
pub(super) use groups::cure_of_denial;

/// Where the system's own folders lie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Roots {
    /// What the kernel tells of its devices.
    pub sys: PathBuf,
    /// What the kernel tells of its programs and locks.
    pub proc: PathBuf,
    /// The devices themselves.
    pub dev: PathBuf,
    /// The system's settings: its groups.
    pub etc: PathBuf,
}

impl Default for Roots {
    fn default() -> Self {
        Self { sys: "/sys".into(), proc: "/proc".into(), dev: "/dev".into(), etc: "/etc".into() }
    }
}

/// What is known of a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Port {
    /// Its device.
    pub path: PathBuf,
    /// A path that leads to it wherever it is numbered next time: by what it is, else by where it is plugged in.
    pub stable: Option<PathBuf>,
    /// What is behind it.
    pub kind: PortKind,
    /// Why this user may not open it, as the cure; none where he may.
    pub denied: Option<String>,
    /// Who has it open, as far as this user may see.
    pub used: Option<User>,
}

/// What is behind a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortKind {
    /// An adapter on USB.
    Usb(Usb),
    /// A radio link that behaves like a port.
    Radio,
    /// A chip of the computer itself.
    OnBoard,
}

/// What an adapter on USB says of itself (USB 2.0, table 9-8: the fields idVendor, idProduct and the texts that
/// iManufacturer and iProduct point to).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Usb {
    /// The vendor's number.
    pub vendor: u16,
    /// The product's number.
    pub product: u16,
    /// The vendor's name.
    pub vendor_name: Option<String>,
    /// The product's name.
    pub product_name: Option<String>,
}

/// Who uses a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum User {
    /// A program with its number; its name where it can be read.
    Program {
        /// The number of its process.
        process: u32,
        /// The name of its program.
        name: Option<String>,
    },
    /// Somebody who has locked it and cannot be seen.
    Unseen,
}

/// The ports that there are, in the order of their names; none where the system does not tell.
pub fn list(roots: &Roots) -> Vec<Port> {
    #[cfg(unix)]
    {
        let holders = holders::Holders::read(&roots.proc);
        names(roots).iter().map(|name| port(roots, name, &holders)).collect()
    }
    #[cfg(not(unix))]
    {
        elsewhere(roots)
    }
}

/// Paths of the ports that there are, in the order of their names.
pub(super) fn paths(roots: &Roots) -> Vec<PathBuf> {
    #[cfg(unix)]
    {
        names(roots).iter().map(|name| roots.dev.join(name)).collect()
    }
    #[cfg(not(unix))]
    {
        elsewhere(roots).into_iter().map(|port| port.path).collect()
    }
}

/// What the serial library finds on a system without these folders.
#[cfg(not(unix))]
fn elsewhere(_: &Roots) -> Vec<Port> {
    use tokio_serial::SerialPortType;
    let kind = |kind: SerialPortType| match kind {
        SerialPortType::UsbPort(usb) => PortKind::Usb(Usb {
            vendor: usb.vid,
            product: usb.pid,
            vendor_name: usb.manufacturer,
            product_name: usb.product,
        }),
        SerialPortType::BluetoothPort => PortKind::Radio,
        SerialPortType::PciPort | SerialPortType::Unknown => PortKind::OnBoard,
    };
    let found = tokio_serial::available_ports().unwrap_or_default().into_iter();
    let port = |port: tokio_serial::SerialPortInfo| Port {
        path: port.port_name.into(),
        stable: None,
        kind: kind(port.port_type),
        denied: None,
        used: None,
    };
    found.map(port).collect()
}

#[cfg(unix)]
fn port(roots: &Roots, name: &str, holders: &holders::Holders) -> Port {
    let path = roots.dev.join(name);
    Port {
        stable: stable(roots, &path),
        kind: kind(roots, name),
        denied: groups::denied(&path, roots),
        used: holders.of(&path),
        path,
    }
}

/// Names of terminals with hardware behind them.
#[cfg(unix)]
fn names(roots: &Roots) -> Vec<String> {
    let Ok(folder) = roots.sys.join("class/tty").read_dir() else { return Vec::new() };
    let entries = folder.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let mut names: Vec<String> = entries.filter(|name| is_port(roots, name)).collect();
    names.sort_by_key(|name| natural(name));
    names
}

#[cfg(unix)]
fn is_port(roots: &Roots, name: &str) -> bool {
    let class = roots.sys.join("class/tty").join(name);
    // Consoles and pseudo-terminals have no device; places of the board's driver without a chip have type 0.
    class.join("device").exists()
        && read(&class.join("type")).as_deref() != Some("0")
        && roots.dev.join(name).exists()
}

/// So that the tenth comes after the ninth.
#[cfg(unix)]
fn natural(name: &str) -> (String, u64) {
    let digits = name.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (word, number) = name.split_at(name.len() - digits);
    (word.to_string(), number.parse().unwrap_or(0))
}

/// The first link of the device manager that leads to the device.
#[cfg(unix)]
fn stable(roots: &Roots, path: &Path) -> Option<PathBuf> {
    let device = path.canonicalize().ok()?;
    ["by-id", "by-path"].into_iter().find_map(|way| {
        let folder = roots.dev.join("serial").join(way).read_dir().ok()?;
        let links = folder.filter_map(|entry| Some(entry.ok()?.path()));
        links.filter(|link| link.canonicalize().is_ok_and(|to| to == device)).min()
    })
}

/// What is behind a terminal: a device on USB has its numbers in the folder of the device or one above it.
#[cfg(unix)]
fn kind(roots: &Roots, name: &str) -> PortKind {
    let device = roots.sys.join("class/tty").join(name).join("device");
    let Ok(device) = device.canonicalize() else { return PortKind::OnBoard };
    let top = roots.sys.canonicalize().unwrap_or_default();
    let above = device.ancestors().take_while(|folder| *folder != top);
    if let Some(usb) = above.into_iter().find_map(usb) {
        return PortKind::Usb(usb);
    }
    let subsystem = device.join("subsystem").canonicalize().ok();
    let radio = subsystem.is_some_and(|subsystem| subsystem.ends_with("bluetooth"));
    if radio { PortKind::Radio } else { PortKind::OnBoard }
}

#[cfg(unix)]
fn usb(folder: &Path) -> Option<Usb> {
    let number = |file: &str| u16::from_str_radix(&read(&folder.join(file))?, 16).ok();
    // What a device says of itself is anybody's: nothing of it may steer a terminal.
    let text = |file: &str| {
        let text: String = read(&folder.join(file))?.chars().filter(|c| !c.is_control()).collect();
        Some(text).filter(|text| !text.trim().is_empty())
    };
    Some(Usb {
        vendor: number("idVendor")?,
        product: number("idProduct")?,
        vendor_name: text("manufacturer"),
        product_name: text("product"),
    })
}

#[cfg(unix)]
fn read(path: &Path) -> Option<String> {
    std::fs::read_to_string(path).ok().map(|text| text.trim().to_string())
}
