//! The listing of an invented machine, in a folder of its own.

use std::fs;
use std::os::unix::fs::{MetadataExt, symlink};

use tempfile::TempDir;

use super::*;

/// An invented machine: two adapters on USB, one port on the board, a place without a chip, a console.
pub(in crate::transport::serial) fn machine() -> (Roots, TempDir) {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let roots = Roots { sys: at("sys"), proc: at("proc"), dev: at("dev"), etc: at("etc") };
    for folder in [&roots.sys, &roots.proc, &roots.dev, &roots.etc] {
        fs::create_dir_all(folder).unwrap();
    }
    fs::write(roots.etc.join("group"), "root:x:0:\nports:x:20:mona,jan\nwheel:x:27:mona\n").unwrap();
    for (name, device, kind) in [
        ("console", None, None),
        ("ttyS0", Some("devices/pnp0/00:01"), Some("4\n")),
        ("ttyS1", Some("devices/platform/none"), Some("0\n")),
        ("ttyUSB0", Some("devices/pci0/usb1/1-2/1-2:1.0/ttyUSB0"), None),
        ("ttyUSB1", Some("devices/pci0/usb1/1-3/1-3:1.0/ttyUSB1"), None),
    ] {
        let class = roots.sys.join("class/tty").join(name);
        fs::create_dir_all(&class).unwrap();
        if let Some(device) = device {
            fs::create_dir_all(roots.sys.join(device)).unwrap();
            symlink(roots.sys.join(device), class.join("device")).unwrap();
        }
        if let Some(kind) = kind {
            fs::write(class.join("type"), kind).unwrap();
        }
        fs::write(roots.dev.join(name), "").unwrap();
    }
    (roots, folder)
}

fn says(roots: &Roots, device: &str, texts: &[(&str, &str)]) {
    let folder = roots.sys.join("devices/pci0/usb1").join(device);
    texts.iter().for_each(|(file, text)| fs::write(folder.join(file), text).unwrap());
}

fn link(roots: &Roots, way: &str, name: &str, device: &str) -> PathBuf {
    let folder = roots.dev.join("serial").join(way);
    fs::create_dir_all(&folder).unwrap();
    symlink(format!("../../{device}"), folder.join(name)).unwrap();
    folder.join(name)
}

fn listed(roots: &Roots, name: &str) -> Port {
    list(roots).into_iter().find(|port| port.path == roots.dev.join(name)).unwrap()
}

#[test]
fn only_terminals_with_hardware_behind_them_are_ports() {
    let (roots, _folder) = machine();
    assert_eq!(names(&roots), ["ttyS0", "ttyUSB0", "ttyUSB1"]);
    fs::remove_file(roots.dev.join("ttyUSB0")).unwrap();
    assert_eq!(paths(&roots), [roots.dev.join("ttyS0"), roots.dev.join("ttyUSB1")]);
    let nowhere = Roots { sys: roots.sys.join("nowhere"), ..roots };
    assert_eq!(list(&nowhere), []);
}

#[test]
fn names_are_ordered_as_people_count() {
    let mut names = ["ttyUSB10", "ttyUSB9", "ttyACM2", "rfcomm0", "ttyUSB1"];
    names.sort_by_key(|name| natural(name));
    assert_eq!(names, ["rfcomm0", "ttyACM2", "ttyUSB1", "ttyUSB9", "ttyUSB10"]);
}

#[test]
fn an_adapter_is_known_by_what_it_says_of_itself() {
    let (roots, _folder) = machine();
    says(
        &roots,
        "1-2",
        &[
            ("idVendor", "1a2b\n"),
            ("idProduct", "0c4d\n"),
            ("manufacturer", "Example Works\n"),
            ("product", "Cable \u{1b}[31mred\n"),
        ],
    );
    says(&roots, "1-3", &[("idVendor", "1a2b\n"), ("idProduct", "0c4e\n"), ("product", " \n")]);
    let usb = Usb {
        vendor: 0x1a2b,
        product: 0x0c4d,
        vendor_name: Some("Example Works".into()),
        product_name: Some("Cable [31mred".into()),
    };
    assert_eq!(listed(&roots, "ttyUSB0").kind, PortKind::Usb(usb));
    let silent = Usb { vendor: 0x1a2b, product: 0x0c4e, vendor_name: None, product_name: None };
    assert_eq!(listed(&roots, "ttyUSB1").kind, PortKind::Usb(silent));
    assert_eq!(listed(&roots, "ttyS0").kind, PortKind::OnBoard);
    let bus = roots.sys.join("bus/bluetooth");
    fs::create_dir_all(&bus).unwrap();
    symlink(bus, roots.sys.join("devices/pnp0/00:01/subsystem")).unwrap();
    assert_eq!(listed(&roots, "ttyS0").kind, PortKind::Radio);
}

#[test]
fn the_stable_path_is_by_what_it_is_before_where_it_is() {
    let (roots, _folder) = machine();
    let place = link(&roots, "by-path", "pci-0:1.0-port0", "ttyUSB0");
    assert_eq!(listed(&roots, "ttyUSB0").stable, Some(place));
    let other = link(&roots, "by-id", "usb-other", "ttyUSB1");
    let own = link(&roots, "by-id", "usb-own", "ttyUSB0");
    link(&roots, "by-id", "usb-stale", "ttyUSB7");
    assert_eq!(listed(&roots, "ttyUSB0").stable, Some(own));
    assert_eq!(listed(&roots, "ttyUSB1").stable, Some(other));
    assert_eq!(listed(&roots, "ttyS0").stable, None);
}

#[test]
fn a_port_is_used_by_whoever_has_it_open_or_locked() {
    let (roots, _folder) = machine();
    let process = roots.proc.join("123");
    fs::create_dir_all(process.join("fd")).unwrap();
    fs::write(process.join("comm"), "terminal\n").unwrap();
    symlink(roots.dev.join("ttyUSB0").canonicalize().unwrap(), process.join("fd/4")).unwrap();
    let used = User::Program { process: 123, name: Some("terminal".into()) };
    assert_eq!(listed(&roots, "ttyUSB0").used, Some(used));
    assert_eq!(listed(&roots, "ttyUSB1").used, None);
    // Somebody else's program: its files cannot be seen, its lock can.
    let device = roots.dev.join("ttyUSB1").metadata().unwrap();
    let (major, minor) = (rustix::fs::major(device.dev()), rustix::fs::minor(device.dev()));
    let lock = |process: u32| {
        let ino = device.ino();
        let line = format!("1: FLOCK  ADVISORY  WRITE {process} {major:02x}:{minor:02x}:{ino} 0 EOF\n");
        fs::write(roots.proc.join("locks"), line).unwrap();
        listed(&roots, "ttyUSB1").used
    };
    assert_eq!(lock(77), Some(User::Program { process: 77, name: None }));
    assert_eq!(lock(0), Some(User::Unseen));
    assert_eq!(listed(&roots, "ttyS0").used, None);
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
    // This user made the invented devices and may open them.
    assert!(list(&roots).iter().all(|port| port.denied.is_none()));
}
