//! Who may open a device, and how to become one of them.

use std::os::unix::fs::MetadataExt;
use std::path::Path;

use rustix::fs::{Access, AtFlags, CWD, accessat};

use super::Roots;

/// Reading and writing for the group, in a file's mode after POSIX.
const GROUP_MAY: u32 = 0o060;

/// The way to a device that this user may not open; none where he may. Nothing is opened to find out.
pub(super) fn denied(path: &Path, roots: &Roots) -> Option<String> {
    accessat(CWD, path, Access::READ_OK | Access::WRITE_OK, AtFlags::EACCESS).err()?;
    let device = path.metadata().ok()?;
    Some(cure_of_denial(device.mode(), device.gid(), roots))
}

/// The way to a device that this user may not open, from its mode and its group.
pub(in super::super) fn cure_of_denial(mode: u32, gid: u32, roots: &Roots) -> String {
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
