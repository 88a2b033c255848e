//! A serial line as octets that come and go without blocking the loop: a terminal device of the
//! kernel, made raw. Plain system calls by rustix and tokio's readiness do it, so no serial
//! library and no C come in. A device that is pulled out shows as an error of the next read.

use rustix::fs::{Mode, OFlags};
use rustix::termios::{ControlModes, OptionalActions, QueueSelector, SpecialCodeIndex};
use std::io;
use std::os::fd::OwnedFd;
use std::path::Path;
use tokio::io::unix::AsyncFd;

/// An open line; nobody else can open it meanwhile.
pub(super) struct Port(AsyncFd<OwnedFd>);

impl Port {
    /// Opens the device at a speed in bits a second, and throws away what was said before.
    pub(super) fn open(path: &Path, speed: u32) -> io::Result<Self> {
        // Without O_NONBLOCK this would wait for a carrier.
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let device = rustix::fs::open(path, flags, Mode::empty())?;
        if !rustix::termios::isatty(&device) {
            return Err(io::Error::other("it is not a serial line"));
        }
        rustix::termios::ioctl_tiocexcl(&device)?;
        let mut mode = rustix::termios::tcgetattr(&device)?;
        mode.make_raw();
        // Modems differ in their control lines: only what is said counts.
        mode.control_modes |= ControlModes::CLOCAL | ControlModes::CREAD;
        mode.special_codes[SpecialCodeIndex::VMIN] = 1;
        mode.special_codes[SpecialCodeIndex::VTIME] = 0;
        mode.set_speed(speed)?;
        rustix::termios::tcsetattr(&device, OptionalActions::Now, &mode)?;
        rustix::termios::tcflush(&device, QueueSelector::IOFlush)?;
        #[expect(deprecated, reason = "sound for an OwnedFd, which is the same descriptor all its life")]
        let device = AsyncFd::new(device)?;
        Ok(Self(device))
    }

    /// What there is, at least one octet. Nothing is lost if this is dropped before its end.
    pub(super) async fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
        let read =
            |device: &AsyncFd<OwnedFd>, buffer: &mut [u8]| Ok(rustix::io::read(device.get_ref(), buffer)?);
        loop {
            let mut ready = self.0.readable().await?;
            match ready.try_io(|device| read(device, buffer)) {
                Ok(Ok(0)) => return Err(io::ErrorKind::UnexpectedEof.into()),
                Ok(done) => return done,
                Err(_not_yet) => {}
            }
        }
    }

    /// Hands all of it over.
    pub(super) async fn write(&self, mut octets: &[u8]) -> io::Result<()> {
        while !octets.is_empty() {
            let mut ready = self.0.writable().await?;
            match ready.try_io(|device| Ok(rustix::io::write(device.get_ref(), octets)?)) {
                Ok(written) => octets = octets.get(written?..).unwrap_or_default(),
                Err(_not_yet) => {}
            }
        }
        Ok(())
    }
}

impl Drop for Port {
    /// Closing would wait for what a stalled modem does not take.
    fn drop(&mut self) {
        // It may have gone already.
        let _ = rustix::termios::tcflush(self.0.get_ref(), QueueSelector::IOFlush);
    }
}
