//! Draws what a solution of the circuit costs as the array grows:
//! `cargo run --release -p ohmward-plant --example solve_cost [FILE.svg|FILE.png]`
//!
//! Without a name it replaces the picture in `hardware-notes/pictures`. A tick of the weather and a solution from the last one
//! (converter feeding, one fault), from 10 to 10 000 modules. Prints the numbers and the exponent of a straight line through
//! them on logarithmic scales: 1 is linear. Exits with 1 if it is above 1.15, which a busy machine alone does not make.

use ohmward_plant::array::{ArraySettings, Description};
use ohmward_plant::module::KINDS;
use ohmward_plant::{Array, Conditions, Contacts, Load, Place};
use ohmward_proto::Calibration;
use ohmward_proto::settings::Earthing;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};
use std::path::PathBuf;
use std::time::Instant;

const SIZE: (u32, u32) = (1100, 720);
/// Strings and modules in each.
const ARRAYS: [(u32, u32); 10] = [
    (1, 10),
    (1, 20),
    (2, 20),
    (5, 20),
    (10, 20),
    (25, 20),
    (50, 20),
    (100, 20),
    (250, 20),
    (500, 20),
];
const LINE: RGBColor = RGBColor(0x00, 0x72, 0xb2);
const LINEAR: RGBColor = RGBColor(0x80, 0x80, 0x80);

struct Cost {
    modules: f64,
    solve_s: f64,
}

fn cost(strings: u32, modules_per_string: u32) -> Result<Cost, Box<dyn std::error::Error>> {
    let settings = ArraySettings {
        strings,
        modules_per_string,
        ..toml::from_str("strings = 1\nmodules_per_string = 1")?
    };
    let place = Place::Tap {
        string: 0,
        modules_below: modules_per_string / 3,
    };
    let bridge = &Calibration::REFERENCE.bridge;
    let mut array = Array::new(&Description {
        load: Load::WorkingPoint,
        faults: vec![place.into()],
        ..Description::new(&settings, &KINDS[0], Earthing::NegativeBonded, bridge)
    });
    array.set_fault(0, 1e-4);
    let contacts = Contacts {
        contactor_closed: true,
        ..Contacts::default()
    };
    let mut tick = |k: u32| -> Result<f64, Box<dyn std::error::Error>> {
        let began = Instant::now();
        array.set_conditions(Conditions {
            irradiance_w_m2: if k.is_multiple_of(2) { 820.0 } else { 800.0 },
            cell_temp_c: 45.0,
            wetness: 0.0,
        });
        array.solve(contacts)?;
        Ok(began.elapsed().as_secs_f64())
    };
    // Pattern and ordering are made in the first; then the quickest of many, which noise only ever makes slower.
    tick(1)?;
    let times = (1_500_000 / settings.modules()).clamp(20, 5000);
    let mut solve_s = f64::INFINITY;
    for k in 0..times {
        solve_s = solve_s.min(tick(k)?);
    }
    Ok(Cost {
        modules: f64::from(settings.modules()),
        solve_s,
    })
}

/// Slope of the least-squares line through the logarithms.
fn exponent(costs: &[Cost]) -> f64 {
    let n = costs.len() as f64;
    let x = costs.iter().map(|c| c.modules.ln());
    let y = costs.iter().map(|c| c.solve_s.ln());
    let (mx, my) = (x.clone().sum::<f64>() / n, y.clone().sum::<f64>() / n);
    let both: f64 = x.clone().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum();
    both / x.map(|x| (x - mx).powi(2)).sum::<f64>()
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).map_or_else(
        || {
            PathBuf::from(env!("CARGO_MANIFEST_DIR"))
                .join("../../hardware-notes/pictures/solve-cost.svg")
        },
        PathBuf::from,
    );
    for (style, font) in [
        (FontStyle::Normal, dejavu::sans::regular()),
        (FontStyle::Bold, dejavu::sans::bold()),
    ] {
        register_font("sans-serif", style, font).map_err(|_| "the built-in font does not load")?;
    }
    let mut costs = Vec::new();
    for (strings, per_string) in ARRAYS {
        let cost = cost(strings, per_string)?;
        println!(
            "{:6.0} modules: {:9.1} µs, {:.2} µs a module",
            cost.modules,
            cost.solve_s * 1e6,
            cost.solve_s * 1e6 / cost.modules
        );
        costs.push(cost);
    }
    println!("exponent {:.3}", exponent(&costs));
    if exponent(&costs) > 1.15 {
        return Err("the cost grows faster than the modules".into());
    }
    match path.extension().and_then(|e| e.to_str()) {
        Some("svg") => draw(&SVGBackend::new(&path, SIZE).into_drawing_area(), &costs)?,
        Some("png") => draw(&BitMapBackend::new(&path, SIZE).into_drawing_area(), &costs)?,
        _ => return Err(format!("{}: name a .svg or a .png", path.display()).into()),
    }
    println!("{}", path.display());
    Ok(())
}

fn seconds(s: &f64) -> String {
    match *s {
        s if s >= 1.0 => format!("{s:.0} s"),
        s if s >= 1e-3 => format!("{:.0} ms", s * 1e3),
        s => format!("{:.0} µs", s * 1e6),
    }
}

fn draw<B: DrawingBackend>(
    sheet: &DrawingArea<B, Shift>,
    costs: &[Cost],
) -> Result<(), Box<dyn std::error::Error>>
where
    B::ErrorType: 'static,
{
    sheet.fill(&WHITE)?;
    let sheet = sheet.margin(12, 4, 0, 0).titled(
        "One solution of the array's circuit",
        ("sans-serif", 26, FontStyle::Bold),
    )?;
    let lowest = costs
        .iter()
        .map(|c| c.solve_s)
        .fold(f64::INFINITY, f64::min);
    let highest = costs.iter().map(|c| c.solve_s).fold(0.0, f64::max);
    let decade = |s: f64, up: bool| {
        let log = s.log10();
        10_f64.powf(if up { log.ceil() } else { log.floor() })
    };
    let mut chart = ChartBuilder::on(&sheet)
        .margin(12)
        .margin_right(40)
        .x_label_area_size(50)
        .y_label_area_size(90)
        .build_cartesian_2d(
            (8.0..12_500.0_f64).log_scale(),
            (decade(lowest, false)..decade(highest, true)).log_scale(),
        )?;
    chart
        .configure_mesh()
        .light_line_style(WHITE.mix(0.0))
        .x_label_formatter(&|n| format!("{n:.0}"))
        .y_label_formatter(&seconds)
        .x_desc("modules")
        .y_desc("a tick of the weather and its operating point")
        .label_style(("sans-serif", 17))
        .draw()?;
    let last = &costs[costs.len() - 1];
    let ends = [costs[0].modules, last.modules];
    chart
        .draw_series(DashedLineSeries::new(
            ends.map(|n| (n, last.solve_s * n / last.modules)),
            8,
            5,
            LINEAR.stroke_width(2),
        ))?
        .label("linear, through the largest")
        .legend(|(x, y)| PathElement::new([(x, y), (x + 22, y)], LINEAR.stroke_width(2)));
    let points = costs.iter().map(|c| (c.modules, c.solve_s));
    chart
        .draw_series(LineSeries::new(points.clone(), LINE.stroke_width(3)))?
        .label(format!("measured, exponent {:.2}", exponent(costs)))
        .legend(|(x, y)| PathElement::new([(x, y), (x + 22, y)], LINE.stroke_width(3)));
    chart.draw_series(points.map(|at| Circle::new(at, 5, LINE.filled())))?;
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .background_style(WHITE.filled())
        .border_style(RGBColor(0xc0, 0xc0, 0xc0))
        .label_font(("sans-serif", 17))
        .draw()?;
    sheet.present()?;
    Ok(())
}
