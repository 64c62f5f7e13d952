//! Opens what a source names: a serial device or a TCP connection, as one stream of bytes.

use super::Source;
use std::io;
use std::path::Path;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_serial::{SerialPortBuilderExt, SerialStream};

/// Bytes both ways.
pub trait Port: AsyncRead + AsyncWrite + Unpin + Send {}

impl<P: AsyncRead + AsyncWrite + Unpin + Send> Port for P {}

/// Opens it.
///
/// # Errors
/// Why not, and what to do, in a line.
pub async fn open(source: &Source, baud: u32) -> Result<Box<dyn Port>, String> {
    match source {
        Source::Serial(path) => Ok(Box::new(open_serial(path, baud)?)),
        Source::Tcp(address) => {
            let port = TcpStream::connect(address)
                .await
                .map_err(|e| format!("{e}. Is something listening there?"))?;
            // Nagle's delay only; a port without it is as good.
            let _ = port.set_nodelay(true);
            Ok(Box::new(port))
        }
        Source::Pattern(pattern) => Err(format!(
            "{pattern} may mean several boards, and this is for one: give its device"
        )),
        Source::Sim(_) => Err(
            "a scenario has no line; start it with `ohmward simulate` and give the device it prints"
                .to_owned(),
        ),
    }
}

/// 8 data bits, no parity, 1 stop bit, no flow control.
fn open_serial(path: &Path, baud: u32) -> Result<SerialStream, String> {
    let kind = std::fs::metadata(path);
    if let Ok(kind) = &kind
        && (kind.is_file() || kind.is_dir())
    {
        return Err(format!(
            "it is a {}, not a serial device (a scenario is given as sim:FILE)",
            if kind.is_file() { "file" } else { "folder" }
        ));
    }
    tokio_serial::new(path.to_string_lossy(), baud)
        .data_bits(tokio_serial::DataBits::Eight)
        .parity(tokio_serial::Parity::None)
        .stop_bits(tokio_serial::StopBits::One)
        .flow_control(tokio_serial::FlowControl::None)
        .open_native_async()
        .map_err(|e| match (kind, e.kind()) {
            (Err(missing), _) if missing.kind() == io::ErrorKind::NotFound => {
                "there is no such device. Is the board plugged in?".to_owned()
            }
            (_, tokio_serial::ErrorKind::Io(io::ErrorKind::PermissionDenied)) => {
                "permission denied. Serial devices usually belong to the group dialout".to_owned()
            }
            (_, tokio_serial::ErrorKind::NoDevice) => format!("{e}. Does another program hold it?"),
            _ => format!("it is not a serial device, or it does not take {baud} baud ({e})"),
        })
}
