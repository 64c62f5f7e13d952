//! `events`: what happened.

use super::{board_id, moment, remark};
use anyhow::bail;
use clap::Args;
use ohmward::store::{EventFilter, Store, StoredEvent, event_kind_word, event_kind_words};
use ohmward::words::{self, utc};
use ohmward_proto::message::BoardId;
use std::collections::HashMap;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `events`.
#[derive(Debug, Args)]
pub struct EventsArgs {
    /// The store's folder
    #[arg(long)]
    store: PathBuf,
    /// Only this board
    #[arg(long, value_parser = board_id)]
    board: Option<BoardId>,
    /// Only these kinds (tripped, surge, insulation-warning …); may be given several times
    #[arg(long)]
    kind: Vec<String>,
    /// From this moment on (2026-05-03 or 2026-05-03T14:20:00Z)
    #[arg(long, value_parser = moment)]
    since: Option<i64>,
    /// Before this moment
    #[arg(long, value_parser = moment)]
    until: Option<i64>,
    /// One JSON object a line; times in µs since 1970, units in the names
    #[arg(long)]
    json: bool,
}

/// Lists, oldest first.
pub fn run(args: &EventsArgs) -> anyhow::Result<ExitCode> {
    let store = Store::open_existing(&args.store)?;
    if let Some(unknown) = args
        .kind
        .iter()
        .find(|kind| !event_kind_words().contains(&kind.as_str()))
    {
        bail!(
            "'{unknown}' is no kind of event: use {}",
            event_kind_words().join(", ")
        );
    }
    if let Some(board) = args.board {
        store.require(board)?;
    }
    if let (Some(since), Some(until)) = (args.since, args.until)
        && until <= since
    {
        bail!("--until is not after --since: exchange them");
    }
    let events = store.events(&EventFilter {
        board: args.board,
        from_us: args.since,
        to_us: args.until,
        kinds: args.kind.clone(),
        limit: None,
    })?;
    let mut out = std::io::stdout().lock();
    if args.json {
        for stored in &events {
            writeln!(out, "{}", json(stored))?;
        }
    } else {
        let mut rates = HashMap::new();
        for board in store.boards()? {
            for run in store.runs(board)? {
                rates.insert((board, run.boot), run.sample_rate_hz);
            }
        }
        for StoredEvent {
            board, t_us, event, ..
        } in &events
        {
            let rate = rates.get(&(*board, event.id.boot)).copied();
            writeln!(
                out,
                "{}Z  {board}  {:>6}  {}",
                utc(*t_us),
                event.id.to_string(),
                words::event(&event.kind, rate)
            )?;
        }
        if events.is_empty() {
            remark(&format!("no such events in {}", args.store.display()));
        }
    }
    let unread = store.unread_events()?.len();
    if unread > 0 {
        remark(&format!(
            "{unread} events of kinds that this version does not know are kept in {}: update ohmward, then record once more",
            args.store.display()
        ));
    }
    Ok(ExitCode::SUCCESS)
}

fn json(stored: &StoredEvent) -> serde_json::Value {
    serde_json::json!({
        "board": stored.board.to_string(),
        "t_us": stored.t_us,
        "t_sigma_us": stored.t_sigma_us,
        "host_us": stored.host_us,
        "boot": stored.event.id.boot,
        "seq": stored.event.id.seq,
        "at_sample": stored.event.at.0,
        "kind": event_kind_word(&stored.event.kind),
        "detail": stored.event.kind,
    })
}
