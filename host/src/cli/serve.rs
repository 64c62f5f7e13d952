//! `serve`: a store in the browser.

use super::{remark, stop_on_signal};
use anyhow::anyhow;
use clap::Args;
use ohmward::serve::{self, Options, Token};
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `serve`.
///
/// Nothing can be changed through the page. Without a token only this machine can look. Traffic is not encrypted: over a network that
/// others share, put a reverse proxy with TLS before it.
#[derive(Debug, Args)]
pub struct ServeArgs {
    /// The store's folder, also while `record` writes to it
    #[arg(long)]
    store: PathBuf,
    /// Address and port; other than loopback needs a token
    #[arg(long, default_value = "127.0.0.1:8460")]
    listen: SocketAddr,
    /// What those who may look must know, 16 characters or more; everybody on this machine can read it here, so better use a file
    #[arg(long, conflicts_with = "token_file")]
    token: Option<Token>,
    /// A file with the token, and nothing else
    #[arg(long)]
    token_file: Option<PathBuf>,
}

/// Serves until Ctrl-C or SIGTERM.
pub fn run(args: ServeArgs) -> anyhow::Result<ExitCode> {
    let token = match &args.token_file {
        Some(file) => Some(read_token(file)?),
        None => args.token,
    };
    let has_token = token.is_some();
    let stop = stop_on_signal()?;
    let options = Options {
        store: args.store,
        listen: args.listen,
        token,
    };
    serve::run(&options, &stop, |at| {
        // The address alone on standard output, so that a script can take it from there.
        let mut out = std::io::stdout();
        let _ = writeln!(out, "http://{at}/").and_then(|()| out.flush());
        if has_token {
            remark("open it once as /?token=TOKEN, or send \"Authorization: Bearer TOKEN\"");
        }
        if !at.ip().is_loopback() {
            remark(
                "traffic is not encrypted: on a network that others share put a reverse proxy with TLS before it",
            );
        }
        remark("read-only; Ctrl-C ends it");
    })?;
    Ok(ExitCode::SUCCESS)
}

fn read_token(file: &Path) -> anyhow::Result<Token> {
    let text = std::fs::read_to_string(file)
        .map_err(|why| anyhow!("the token's file {} cannot be read: {why}", file.display()))?;
    text.parse()
        .map_err(|why| anyhow!("{}: {why}", file.display()))
}
