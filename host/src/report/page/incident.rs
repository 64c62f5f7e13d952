//! One event → HTML.

use super::{PICKUP, cautions, events, footer, log, ms, settings, shell, signature, within};
use crate::report::incident::Incident;
use crate::words::{self, utc};
use maud::{Markup, PreEscaped, html};

/// One event.
pub fn incident(report: &Incident) -> Markup {
    let stored = &report.event;
    let id = stored.event.id;
    let rate_hz = report.rates_hz.get(&id.boot).copied();
    let title = format!(
        "{}Event {id} of board {}",
        report
            .title
            .as_ref()
            .map_or(String::new(), |title| format!("{title}: ")),
        stored.board
    );
    shell(
        &title,
        &html! {
            header {
                h1 { (title) }
                p.lead { "Made " (utc(report.made_us)) " UTC by ohmward " (env!("CARGO_PKG_VERSION")) " from the store "
                    span.mono { (report.store) } "." }
            }
            (cautions())
            h2 { "What happened" }
            p { strong { (words::event(&stored.event.kind, rate_hz)) } }
            table { tbody {
                tr { th { "When" } td { (utc(stored.t_us)) " UTC" (within(stored))
                    @if stored.t_sigma_us.is_none() { ", by the board's own clock, or without a known bound" } } }
                tr { th { "Came to the recorder" } td { (stored.host_us.map_or("not noted".into(), utc)) } }
                tr { th { "Sample counter" } td { (stored.event.at.0) @if let Some(hz) = rate_hz { ", " (hz) " samples/s" } } }
                @if let Some(run) = &report.run {
                    tr { th { "Run, firmware" } td { (run.boot) ", " (run.firmware) ", calibration " span.mono { (format!("{:08x}", run.calibration_id)) } } }
                }
                @if let Some(trip) = &report.trip {
                    tr { th { "Pickup to trip" } td { (ms(trip.pickup_to_trip_ms)) } }
                    tr { th { "Trip to contactor seen open" } td {
                        @if trip.failed_to_open { span.bad { "did not open in time. " } }
                        (ms(trip.trip_to_open_ms)) } }
                    tr { th { } td.lead { (PICKUP) } }
                    @if let Some(place) = &trip.place { tr { th { "Place" } td { (place) } } }
                    tr { th { "Reset" } td { (trip.reset_us.map_or("not within a week".into(), utc)) } }
                }
            } }
            h2 { "Waveform" }
            @match &report.waveform {
                Ok(picture) => { figure { (PreEscaped(picture)) figcaption { "As captured, a sample each." } } }
                Err(why) => { p { (why) "." } }
            }
            h2 { "Half an hour before and after" }
            @match &report.overview {
                Some(picture) => { figure { (PreEscaped(picture)) } }
                None => { p { "No reading of that time is stored." } }
            }
            (events(&report.around, &report.rates_hz))
            h2 { "Settings" }
            (settings(&report.limits, report.settings.as_ref().map(ohmward_proto::Settings::hash)))
            (log(report.head, &report.log_faults))
            (signature())
            (footer())
        },
    )
}
