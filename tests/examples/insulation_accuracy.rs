//! Draws how well insulation is measured: `cargo run -p ohmward-tests --example insulation_accuracy [FILE.svg|FILE.png]`
//!
//! Without a name it replaces the picture in `hardware-notes/pictures`. Upper half: error of R over R for several
//! capacitances, the lowest and the highest of a dozen boards whose bridge and channels lie where their tolerances let them,
//! with hum beside its nominal frequency and light that rises. Lower half: how long it took. The same seeds, the same picture.

use ohmward_proto::measure::PoleLeakage;
use ohmward_tests::rig::{Draw, Rig, Sine};
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};
use std::path::PathBuf;

const SIZE: (u32, u32) = (1280, 900);
const BOARDS: u64 = 12;
/// Points in a decade of R.
const PER_DECADE: u32 = 6;
const BAND: RGBColor = RGBColor(0xdc, 0xea, 0xdf);
const LIMIT: RGBColor = RGBColor(0x00, 0x6b, 0x4e);
/// Capacitances, F, with Okabe and Ito's colours, and a name.
const CURVES: [(f64, RGBColor, &str); 4] = [
    (0.1e-6, RGBColor(0x22, 0x22, 0x22), "0.1 µF"),
    (1e-6, RGBColor(0x00, 0x72, 0xb2), "1 µF"),
    (10e-6, RGBColor(0xd5, 0x5e, 0x00), "10 µF"),
    (20e-6, RGBColor(0xa0, 0x20, 0x60), "20 µF"),
];

/// What a dozen boards made of one resistance.
struct Point {
    r: f64,
    low_percent: f64,
    high_percent: f64,
    took_s: f64,
}

fn point(r: f64, c: f64) -> Point {
    let mut point = Point {
        r,
        low_percent: f64::INFINITY,
        high_percent: f64::NEG_INFINITY,
        took_s: 0.0,
    };
    for seed in 0..BOARDS {
        let mut d = Draw::new(seed);
        let mut rig = Rig::new(r, c).at(d.uniform());
        rig.seed = seed;
        for part in &mut rig.bridge {
            *part = 1.0 + 1e-3 * d.normal();
        }
        for gain in &mut rig.gain {
            *gain = 1.0 + 2e-4 * d.normal();
        }
        rig.c_at_pos = 0.5 + 0.1 * d.normal();
        rig.ramp_v_s = 0.05 * d.normal();
        rig.sines = vec![Sine {
            volts: 5.0,
            hz: 49.6,
            phase: d.uniform(),
        }];
        let outcome = rig.measure();
        point.took_s = point.took_s.max(outcome.took_s);
        // Boards that say "not measured" have no error; there are none in this picture's range, and the test holds that.
        let of = |l: PoleLeakage| 1.0 / (f64::from(l.g_pos.0) + f64::from(l.g_neg.0));
        if let Ok(seen) = outcome.result.map(of) {
            let percent = (seen / r - 1.0) * 100.0;
            point.low_percent = point.low_percent.min(percent);
            point.high_percent = point.high_percent.max(percent);
        }
    }
    point
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).map_or_else(
        || {
            PathBuf::from(env!("CARGO_MANIFEST_DIR"))
                .join("../hardware-notes/pictures/insulation-accuracy.svg")
        },
        PathBuf::from,
    );
    for (style, font) in [
        (FontStyle::Normal, dejavu::sans::regular()),
        (FontStyle::Bold, dejavu::sans::bold()),
    ] {
        register_font("sans-serif", style, font).map_err(|_| "the built-in font does not load")?;
    }
    let curves: Vec<(RGBColor, &str, Vec<Point>)> = CURVES
        .iter()
        .map(|(c, colour, name)| {
            let points = (0..=4 * PER_DECADE)
                .map(|k| point(1e3 * 10_f64.powf(f64::from(k) / f64::from(PER_DECADE)), *c))
                .collect();
            (*colour, *name, points)
        })
        .collect();
    match path.extension().and_then(|e| e.to_str()) {
        Some("svg") => draw(&SVGBackend::new(&path, SIZE).into_drawing_area(), &curves)?,
        Some("png") => draw(
            &BitMapBackend::new(&path, SIZE).into_drawing_area(),
            &curves,
        )?,
        _ => return Err(format!("{}: name a .svg or a .png", path.display()).into()),
    }
    println!("{}", path.display());
    Ok(())
}

fn draw<B: DrawingBackend>(
    sheet: &DrawingArea<B, Shift>,
    curves: &[(RGBColor, &str, Vec<Point>)],
) -> Result<(), Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    sheet.fill(&WHITE)?;
    let sheet = sheet.margin(12, 4, 0, 0).titled(
        "Insulation resistance: error and time, reference front end, array of 200 V",
        ("sans-serif", 26, FontStyle::Bold),
    )?;
    let (upper, lower) = sheet.split_vertically(505);
    errors(&upper, curves)?;
    times(&lower, curves)?;
    sheet.present()?;
    Ok(())
}

fn ohms(r: &f64) -> String {
    match *r {
        r if r >= 1e6 => format!("{:.0} MΩ", r * 1e-6),
        r => format!("{:.0} kΩ", r * 1e-3),
    }
}

fn errors<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    curves: &[(RGBColor, &str, Vec<Point>)],
) -> Result<(), Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    let mut chart = ChartBuilder::on(area)
        .margin(12)
        .margin_right(36)
        .x_label_area_size(34)
        .y_label_area_size(84)
        .build_cartesian_2d((1e3..1e7_f64).log_scale(), -12.0..12.0_f64)?;
    // The band asked for, to 2 MΩ: 5 % + 1 kΩ.
    let edge = |r: f64| (5.0 + 1e5 / r).min(12.0);
    let to_2_m: Vec<f64> = (0..=66)
        .map(|k| 1e3 * 10_f64.powf(f64::from(k) * 0.05))
        .collect();
    let around = to_2_m.iter().map(|r| (*r, edge(*r)));
    let back = to_2_m.iter().rev().map(|r| (*r, -edge(*r)));
    chart.draw_series([Polygon::new(
        around.chain(back).collect::<Vec<_>>(),
        BAND.filled(),
    )])?;
    chart
        .configure_mesh()
        .light_line_style(WHITE.mix(0.0))
        .x_label_formatter(&ohms)
        .x_labels(5)
        .y_labels(9)
        .y_label_formatter(&|y| {
            if *y == 0.0 {
                "0 %".into()
            } else {
                format!("{y:+.0} %")
            }
        })
        .y_desc("lowest and highest of 12 boards")
        .label_style(("sans-serif", 17))
        .draw()?;
    for (colour, name, points) in curves {
        let colour = *colour;
        let low = points.iter().map(|p| (p.r, p.low_percent));
        let high = points.iter().map(|p| (p.r, p.high_percent));
        chart.draw_series(LineSeries::new(low, colour.stroke_width(2)))?;
        chart
            .draw_series(LineSeries::new(high, colour.stroke_width(2)))?
            .label(*name)
            .legend(move |(x, y)| PathElement::new([(x, y), (x + 22, y)], colour.stroke_width(3)));
    }
    chart
        .draw_series([Rectangle::new([(1.1e3, 0.0), (1.1e3, 0.0)], BAND.filled())])?
        .label("aim: ±5 % ± 1 kΩ, to 2 MΩ")
        .legend(|(x, y)| Rectangle::new([(x, y - 7), (x + 22, y + 7)], BAND.filled()));
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerLeft)
        .background_style(WHITE.filled())
        .border_style(RGBColor(0xc0, 0xc0, 0xc0))
        .label_font(("sans-serif", 17))
        .draw()?;
    Ok(())
}

fn times<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    curves: &[(RGBColor, &str, Vec<Point>)],
) -> Result<(), Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    let mut chart = ChartBuilder::on(area)
        .margin(12)
        .margin_right(36)
        .x_label_area_size(50)
        .y_label_area_size(84)
        .build_cartesian_2d((1e3..1e7_f64).log_scale(), (0.5..100.0_f64).log_scale())?;
    chart
        .configure_mesh()
        .light_line_style(WHITE.mix(0.0))
        .x_label_formatter(&ohms)
        .x_labels(5)
        .y_label_formatter(&|s| format!("{s} s"))
        .x_desc("true resistance of both poles to earth")
        .y_desc("longest of 12")
        .label_style(("sans-serif", 17))
        .draw()?;
    for (limit_s, text) in [
        (10.0, "asked at 1 µF: 10 s"),
        (60.0, "asked at 10 µF: 60 s"),
    ] {
        chart.draw_series(DashedLineSeries::new(
            [(1e3, limit_s), (1e7, limit_s)],
            8,
            5,
            LIMIT.stroke_width(2),
        ))?;
        chart.draw_series([Text::new(
            text,
            (1.05e3, limit_s * 0.93),
            ("sans-serif", 16).into_font().color(&LIMIT),
        )])?;
    }
    for (colour, _, points) in curves {
        let line = points.iter().map(|p| (p.r, p.took_s));
        chart.draw_series(LineSeries::new(line, colour.stroke_width(2)))?;
    }
    Ok(())
}
