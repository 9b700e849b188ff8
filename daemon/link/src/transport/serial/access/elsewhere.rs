//! Access to a device of a system without terminals after POSIX. The serial library's own opening is exclusive
//! there; nothing more can be asked.

use std::path::{Path, PathBuf};

use model::Problem;

use super::absent;
use crate::transport::serial::ports::Roots;

#[derive(Debug)]
pub(in crate::transport::serial) struct Access {
    device: PathBuf,
}

impl Access {
    pub(in crate::transport::serial) fn claim(path: &Path, roots: &Roots) -> Result<Self, Problem> {
        let name = path.to_string_lossy();
        let known = tokio_serial::available_ports().unwrap_or_default();
        if !known.is_empty() && !known.iter().any(|port| port.port_name.eq_ignore_ascii_case(&name)) {
            return Err(absent(path, roots));
        }
        Ok(Self { device: path.to_path_buf() })
    }

    pub(in crate::transport::serial) fn unlock(&self, _: &Path) -> Result<(), Problem> {
        Ok(())
    }

    pub(in crate::transport::serial) fn device(&self) -> &Path {
        &self.device
    }

    pub(in crate::transport::serial) fn is_pseudo_terminal(&self) -> bool {
        false
    }

    pub(in crate::transport::serial) fn mark_errors(&self, _: &Path) -> Result<(), Problem> {
        Ok(())
    }

    pub(in crate::transport::serial) fn lost(&self) -> Option<String> {
        let name = self.device.to_string_lossy();
        let known = tokio_serial::available_ports().ok()?;
        let there = known.iter().any(|port| port.port_name.eq_ignore_ascii_case(&name));
        (!there).then(|| "it was unplugged".into())
    }
}
