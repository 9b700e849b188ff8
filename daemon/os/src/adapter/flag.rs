//! The terminal's flag for low latency.

use std::ffi::{c_char, c_int, c_uint, c_ulong, c_ushort};
use std::fs::OpenOptions;
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use rustix::fs::OFlags;
use rustix::ioctl::{Getter, Opcode, Setter, ioctl};

/// `struct serial_struct` of the kernel's uapi/linux/serial.h.
#[repr(C)]
#[derive(Clone, Copy)]
struct Settings {
    kind: c_int,
    line: c_int,
    port: c_uint,
    irq: c_int,
    flags: c_int,
    transmit_fifo_size: c_int,
    custom_divisor: c_int,
    baud_base: c_int,
    close_delay: c_ushort,
    io_type: c_char,
    reserved: [c_char; 1],
    hub6: c_int,
    closing_wait: c_ushort,
    closing_wait2: c_ushort,
    iomem_base: *mut u8,
    iomem_reg_shift: c_ushort,
    port_high: c_uint,
    iomap_base: c_ulong,
}

/// `ASYNC_LOW_LATENCY` of the kernel's uapi/linux/tty_flags.h.
const LOW_LATENCY: c_int = 1 << 13;

const READ: Opcode = libc::TIOCGSERIAL as Opcode;
const WRITE: Opcode = libc::TIOCSSERIAL as Opcode;

/// Sets the flag of a device that this user may open.
pub(super) fn set_low_latency(device: &Path) -> io::Result<()> {
    let flags = (OFlags::NOCTTY | OFlags::NONBLOCK).bits().cast_signed();
    let file = OpenOptions::new().read(true).write(true).custom_flags(flags).open(device)?;
    // SAFETY: the request fills a `struct serial_struct`, which `Settings` repeats field by field.
    let mut settings = unsafe { ioctl(&file, Getter::<READ, Settings>::new()) }?;
    if settings.flags & LOW_LATENCY == 0 {
        settings.flags |= LOW_LATENCY;
        // SAFETY: the request reads a `struct serial_struct` that the kernel itself has filled just now.
        unsafe { ioctl(&file, Setter::<WRITE, Settings>::new(settings)) }?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;

    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

    use super::*;

    #[test]
    #[cfg(target_pointer_width = "64")]
    fn the_settings_have_the_length_of_the_kernels() {
        // sizeof(struct serial_struct) with 64-bit pointers, counted from uapi/linux/serial.h.
        assert_eq!(size_of::<Settings>(), 72);
    }

    #[test]
    fn a_terminal_without_such_a_flag_refuses_and_so_does_no_terminal() {
        let end = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&end).unwrap();
        unlockpt(&end).unwrap();
        let name = ptsname(&end, Vec::new()).unwrap();
        let refused = set_low_latency(Path::new(OsStr::from_bytes(name.as_bytes()))).unwrap_err();
        assert_eq!(refused.raw_os_error(), Some(libc::ENOTTY));
        assert_eq!(set_low_latency(Path::new("/dev/null")).unwrap_err().raw_os_error(), Some(libc::ENOTTY));
        assert_eq!(set_low_latency(Path::new("/no/such")).unwrap_err().kind(), io::ErrorKind::NotFound);
    }
}
