//! Every table of `tests/data`, reproduced within the tolerance that its head names.
//! (`thermal_trace.csv` is checked beside the code, `identification.csv` and `early_forecast.csv`
//! in `study`.)

use crate::table::{Row, Table};
use slackwater_forecast::Interval;
use slackwater_forecast::battery::{energy_hours, peukert_hours};
use slackwater_forecast::cooling::{Drift, DriftingRoom};
use slackwater_forecast::evaporation::{EvaporationModel, Surface, latent_heat};
use slackwater_forecast::light::LightMeter;
use slackwater_forecast::margin::Balance;
use slackwater_forecast::oxygen::{AirPump, Budget, resting_fish_mg_h, transfer_cm_h};
use slackwater_forecast::water::SeaWater;
use slackwater_time::Wall;

/// Benson & Krause 1984 (Limnol. Oceanogr. 29:620), mg/L: the basis of the USGS tables since 2011.
fn benson_krause(t: f64, s: f64) -> f64 {
    let k = t + 273.15;
    (-139.34411 + 1.575701e5 / k - 6.642308e7 / k.powi(2) + 1.243800e10 / k.powi(3)
        - 8.621949e11 / k.powi(4)
        - s * (1.7674e-2 - 1.0754e1 / k + 2.1407e3 / k.powi(2)))
    .exp()
}

/// Weiss 1970 (Deep-Sea Res. 17:721), mL/L, on the 1968 scale.
fn weiss(t: f64, s: f64) -> f64 {
    let k = (t * 1.00024 + 273.15) / 100.0;
    (-173.4292 + 249.6339 / k + 143.3483 * k.ln() - 21.8492 * k
        + s * (-0.033096 + 0.014259 * k - 0.0017 * k * k))
        .exp()
}

/// gsw 3.6.23 (Garcia & Gordon 1992 in umol/kg), python-seawater 3.3.5 (EOS-80, Weiss 1970): 0.1 %
/// by the head.
#[test]
fn oxygen_solubility_is_that_of_the_oceanographers_library() {
    for row in Table::read(include_str!("../data/oxygen_solubility.csv")).rows() {
        let (t, s) = (row.get("t_c"), row.get("sp"));
        let water = SeaWater::new(t, s).unwrap();
        row.is("o2_umol_kg", water.oxygen_umol_kg(), 1e-3 * row.get("o2_umol_kg"));
        row.is("o2_mg_l", water.oxygen_mg_l(1_013.25), 1e-3 * row.get("o2_mg_l"));
        row.is("rho_kg_m3", water.density(), 0.01);
        row.is("bk84_mg_l", benson_krause(t, s), 1e-3 * row.get("bk84_mg_l"));
        row.is("weiss70_ml_l", weiss(t, s), 1e-3 * row.get("weiss70_ml_l"));
        // The mL/L column by the molar volume: a third route to the same water.
        row.is("o2_ml_l", water.oxygen_mg_l(1_013.25) * 22.3916 / 31.9988, 1e-3 * row.get("o2_ml_l"));
        let ours = water.oxygen_mg_l(1_013.25);
        assert!((ours / benson_krause(t, s) - 1.0).abs() < 1e-3, "Benson & Krause at {t} degC, {s} psu");
        let to_weiss = ours / (weiss(t, s) * 31.9988 / 22.392) - 1.0;
        assert!(to_weiss.abs() < 7e-3, "Weiss at {t} degC, {s} psu: {to_weiss}");
    }
}

/// The value printed with Garcia & Gordon 1992, erratum: 274.610 umol/kg at S 35, t68 10 degC.
#[test]
fn the_point_printed_with_the_oxygen_formula_is_met() {
    let water = SeaWater::new(10.0 / 1.00024, 35.0).unwrap();
    assert!((water.oxygen_umol_kg() - 274.610).abs() < 5e-4, "{}", water.oxygen_umol_kg());
}

/// Own arithmetic of the table's maker, after Benson & Krause 1984; Standard Methods 4500-O prints
/// 0.990092 for 20 degC, fresh, 0.7 atm (from memory). 0.1 % as for the solubility.
#[test]
fn oxygen_follows_the_pressure() {
    for row in Table::read(include_str!("../data/oxygen_pressure.csv")).rows() {
        let water = SeaWater::new(row.get("t_c"), row.get("sp")).unwrap();
        let hpa = row.get("pressure_hpa");
        row.is("factor", water.pressure_factor(hpa), 1e-6);
        row.is("mg_l", water.oxygen_mg_l(hpa), 1e-3 * row.get("mg_l"));
    }
    let printed = SeaWater::new(20.0, 0.0).unwrap().pressure_factor(0.7 * 1_013.25) / 0.7;
    assert!((printed - 0.990092).abs() < 1e-5, "{printed}");
}

/// python-seawater 3.3.5 (EOS-80): 0.01 kg/m³ and 0.5 J/(kg K) by the head; gsw 3.6.23 (TEOS-10)
/// differs by what the equations differ: 0.01 kg/m³ and 5 J/(kg K) over the whole table.
#[test]
fn density_and_specific_heat_are_those_of_unesco_1983() {
    for row in Table::read(include_str!("../data/seawater_density_cp.csv")).rows() {
        let water = SeaWater::new(row.get("t_c"), row.get("sp")).unwrap();
        row.is("rho_eos80_kg_m3", water.density(), 0.01);
        row.is("cp_eos80_j_kg_k", water.specific_heat(), 0.5);
        row.is("rho_teos10_kg_m3", water.density(), 0.02);
        row.is("cp_teos10_j_kg_k", water.specific_heat(), 5.0);
    }
    // Printed in UNESCO Technical Papers in Marine Science 44, on the 1968 scale.
    for (s, t68, wanted) in
        [(0.0, 5.0, 999.96675), (0.0, 25.0, 997.04796), (35.0, 5.0, 1027.67547), (35.0, 25.0, 1023.34306)]
    {
        let density = SeaWater::new(t68 / 1.00024, s).unwrap().density();
        assert!((density - wanted).abs() < 6e-6, "{density} is not {wanted}");
    }
}

/// scipy 1.17.1 DOP853: the closed forms are within 0.01 s by the head.
#[test]
fn cooling_tanks_reach_their_thresholds_when_the_solver_says() {
    for row in Table::read(include_str!("../data/cooling_scenarios.csv")).rows() {
        let [t0, threshold, start, end, room_h, loss, watts] =
            ["t0_c", "thr_c", "ta_start_c", "ta_end_c", "room_tau_h", "ua_w_k", "watts"].map(|c| row.get(c));
        // The table's capacity is printed to 0.1 J/K: that is 0.02 s in the longest time.
        let capacity = row.get("c_j_k");
        let drift = Drift::of(capacity, loss, end, watts);
        row.is("tau_s", drift.tau_h * 3_600.0, 0.1);
        let week = 168.0;
        let hours = if room_h > 0.0 {
            DriftingRoom { start, end, tau_h: room_h }.time_to(t0, drift.tau_h, watts / loss, threshold, week)
        } else {
            Some(drift.time_to(t0, threshold)).filter(|hours| *hours <= week).unwrap_or(f64::INFINITY)
        };
        row.is_or_never("closed_s", hours * 3_600.0, 0.16);
        if row.text("evap") == "none" {
            row.is_or_never("scipy_s", hours * 3_600.0, 0.16);
            row.is("t_inf_c", drift.settles, 1e-4);
            row.is("rate0_k_h", Drift::of(capacity, loss, start, watts).rate(t0), 1e-5);
        } else {
            let found = by_steps(&row, capacity);
            row.is("scipy_s", found, 20.0);
            // Newton's law without evaporation claims up to three times as long: the error that
            // must not ship.
            assert!(hours * 3_600.0 > 1.4 * found, "evaporation is no trifle");
        }
        // The capacity itself, from EOS-80 against the table's TEOS-10.
        let water = SeaWater::new((t0 + threshold) / 2.0, row.get("sp")).unwrap();
        let ours = water.volume_heat() * row.get("litres") / 1_000.0;
        assert!((ours / capacity - 1.0).abs() < 1e-3, "heat capacity {ours}, the table has {capacity}");
    }
}

/// The tank with evaporation by Runge-Kutta's fourth order, a minute at a time.
fn by_steps(row: &Row<'_>, capacity: f64) -> f64 {
    let [loss, watts, room, area, rh] = ["ua_w_k", "watts", "ta_end_c", "area_m2", "rh"].map(|c| row.get(c));
    let model = model(row.text("evap"));
    let rate = |t: f64| {
        let surface = Surface { water: t, salinity: row.get("sp"), air: room, humidity: rh };
        (watts - loss * (t - room) - area * surface.watts_per_m2(model)) / capacity
    };
    let (mut t, mut at, step) = (row.get("t0_c"), 0.0, 60.0);
    while t > row.get("thr_c") {
        let k1 = rate(t);
        let k2 = rate(t + step / 2.0 * k1);
        let k3 = rate(t + step / 2.0 * k2);
        let next = t + step / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + rate(t + step * k3));
        if next <= row.get("thr_c") {
            return at + step * (t - row.get("thr_c")) / (t - next);
        }
        (t, at) = (next, at + step);
        assert!(at < 7.0 * 86_400.0, "never");
    }
    at
}

fn model(name: &str) -> EvaporationModel {
    match name {
        "ashrae_half" => EvaporationModel::AshraeCalm,
        "ryan_harleman" => EvaporationModel::RyanHarleman,
        "shah" => EvaporationModel::Shah,
        "smith74" => EvaporationModel::Smith,
        "ashrae_full" => EvaporationModel::AshraeFull,
        other => panic!("no evaporation model {other}"),
    }
}

/// PsychroLib 2.5.0, CoolProp 8.0.0. The head names no tolerance: 0.1 %, which is the line through
/// the heat of vaporisation.
#[test]
fn evaporation_is_that_of_the_five_published_models() {
    for row in Table::read(include_str!("../data/evaporation.csv")).rows() {
        let [water, air, humidity] = ["t_water_c", "t_air_c", "rh"].map(|c| row.get(c));
        let surface = Surface { water, salinity: 35.0, air, humidity };
        for name in ["ashrae_half", "ryan_harleman", "shah", "smith74", "ashrae_full"] {
            row.is(name, surface.watts_per_m2(model(name)), 1e-3 * row.get(name) + 0.005);
        }
        row.is("latent_kj_kg", latent_heat(water) / 1_000.0, 1e-3 * row.get("latent_kj_kg"));
        let range = surface.range();
        row.is("mm_day_low", surface.mm_per_day(range.low), 0.011);
        row.is("mm_day_high", surface.mm_per_day(range.high), 0.011);
    }
}

/// Own algebra of the table's maker, roots by scipy's brentq; tolerance: its printed digits.
#[test]
fn heater_margins_are_those_of_the_heat_balance() {
    for row in Table::read(include_str!("../data/heater_margin.csv")).rows() {
        let [walls_w_k, heater, other_w, set, room] =
            ["ua_w_k", "heater_w", "other_w", "set_c", "ta_c"].map(|c| row.get(c));
        let evaporation = (row.text("evap") != "none")
            .then(|| (model(row.text("evap")), row.get("area_m2"), row.get("rh")));
        let balance = Balance { walls_w_k, other_w, evaporation, salinity: 35.0 };
        row.is("need_w", balance.need_w(set, room), 0.011);
        row.is("duty", balance.need_w(set, room) / heater, 1e-4);
        row.is("spare_w", heater - balance.need_w(set, room), 0.011);
        row.is("coldest_ta_c", balance.coldest_room(set, heater), 0.0011);
    }
}

/// scipy 1.17.1 DOP853; closed forms within 1e-6 h by the table's maker, here within its printed
/// inputs' digits. Rows in which consumption follows oxygen or temperature have no closed form:
/// they are integrated here.
#[test]
fn oxygen_lasts_as_long_as_the_solver_says() {
    for row in Table::read(include_str!("../data/oxygen_outage.csv")).rows() {
        let [litres, area, k600, t, s, air, depth, share] =
            ["litres", "area_m2", "k600_cm_h", "t_c", "sp", "air_l_min", "depth_m", "sote_per_m"]
                .map(|c| row.get(c));
        let water = SeaWater::new(t, s).unwrap();
        // Our solubility is Garcia & Gordon's, the table's Benson & Krause's.
        row.is("cs_mg_l", water.oxygen_mg_l(1_013.25), 1e-3 * row.get("cs_mg_l"));
        let k = if k600 > 0.0 { transfer_cm_h(k600, t) } else { 0.0 };
        row.is("k_cm_h", k, 1e-4);
        row.is("g_surface_l_h", area * k * 10.0, 1e-3);
        let pump = AirPump {
            air_l_min: air,
            depth_m: depth,
            share_per_m: Interval::exact(share),
            alpha: row.get("alpha"),
        };
        row.is("g_air_l_h", pump.conductance_l_h(share, t), 1e-3);
        let budget = Budget {
            saturated: benson_krause(t, s),
            exchange: (area * k * 10.0 + pump.conductance_l_h(share, t)) / litres,
            consumption: row.get("r_mg_l_h"),
        };
        let from = budget.saturated * row.get("start_pct") / 100.0;
        let threshold = row.get("thr_mg_l");
        if budget.exchange > 0.0 {
            row.is("c_inf_mg_l", budget.settles(), 6e-4);
        }
        if row.get("ccrit_mg_l") == 0.0 && row.get("tau_h") == 0.0 {
            row.is_or_never("closed_h", budget.time_to(from, threshold), 2e-5);
            row.is_or_never("scipy_h", budget.time_to(from, threshold), 2e-5);
        } else {
            row.is_or_never("scipy_h", oxygen_by_steps(&row, &budget, from), 2e-4);
        }
    }
}

fn oxygen_by_steps(row: &Row<'_>, budget: &Budget, from: f64) -> f64 {
    let [t, s, critical, q10, tau_h, room, threshold] =
        ["t_c", "sp", "ccrit_mg_l", "q10", "tau_h", "ta_c", "thr_mg_l"].map(|c| row.get(c));
    let rate = |hours: f64, mg_l: f64| {
        let celsius = if tau_h > 0.0 { Drift { tau_h, settles: room }.after(t, hours) } else { t };
        let mut consumption = budget.consumption * q10.powf((celsius - t) / 10.0);
        if critical > 0.0 {
            consumption *= (mg_l.max(0.0) / critical).min(1.0);
        }
        budget.exchange * (benson_krause(celsius, s) - mg_l) - consumption
    };
    let (mut mg_l, mut at, h) = (from, 0.0, 0.005);
    while at < 96.0 {
        let k1 = rate(at, mg_l);
        let k2 = rate(at + h / 2.0, mg_l + h / 2.0 * k1);
        let k3 = rate(at + h / 2.0, mg_l + h / 2.0 * k2);
        let next = mg_l + h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + rate(at + h, mg_l + h * k3));
        if next <= threshold {
            return at + h * (mg_l - threshold) / (mg_l - next);
        }
        (mg_l, at) = (next, at + h);
    }
    f64::INFINITY
}

/// Clarke & Johnston 1999 (J. Anim. Ecol. 68:893), in the combination that the head names; printed
/// digits.
#[test]
fn a_resting_fish_breathes_as_published() {
    for row in Table::read(include_str!("../data/fish_respiration.csv")).rows() {
        let [t, grams] = ["t_c", "mass_g"].map(|c| row.get(c));
        row.is("resting_mg_h", resting_fish_mg_h(t, grams), 6e-5);
        row.is("resting_mg_kg_h", resting_fish_mg_h(t, grams) / grams * 1_000.0, 0.06);
    }
}

/// Decimal arithmetic; Peukert points 14.5 h (bare) and 8.7 h (rated) as published. Printed digits.
#[test]
fn batteries_last_as_published() {
    for row in Table::read(include_str!("../data/battery.csv")).rows() {
        let hours = match row.text("method") {
            "energy" => energy_hours(
                row.get("volts"),
                row.get("ah"),
                row.get("usable"),
                row.get("efficiency"),
                row.get("load_w"),
            ),
            "peukert_rated" => {
                peukert_hours(row.get("ah"), row.get("rated_h"), row.get("n"), row.get("amps"))
            }
            // The law rated at one hour and one ampere-hour per ampere is the bare form.
            "peukert_bare" => row.get("ah") / row.get("amps").powf(row.get("n")),
            other => panic!("no method {other}"),
        };
        row.is("hours", hours, 1e-6);
    }
}

/// Exact integrals, and numpy 2.4.6 trapezoid at the table's step.
#[test]
fn the_daily_light_integral_is_that_of_the_trapezoid_over_what_was_seen() {
    for row in Table::read(include_str!("../data/dli.csv")).rows() {
        let [peak, on, off, step] = ["ppfd_peak", "on_h", "off_h", "step_min"].map(|c| row.get(c));
        let profile = row.text("profile");
        let gap = row.text("gap_h").split_once('-').map(|(a, b)| (a.parse().unwrap(), b.parse().unwrap()));
        let ppfd = |h: f64| match profile {
            "constant" => peak,
            "half_sine" | "half_sine_gap" => peak * (std::f64::consts::PI * (h - on) / (off - on)).sin(),
            "ramp" => (peak * (h - on) / row.get("ramp_h"))
                .min(peak * (off - h) / row.get("ramp_h"))
                .clamp(0.0, peak),
            other => panic!("no profile {other}"),
        };
        let mut meter = LightMeter::new(step / 60.0, jiff::tz::TimeZone::UTC, 0);
        let samples = ((off - on) * 60.0 / step).round() as i64;
        let (mut bridged, mut last) = (0.0, None);
        for i in 0..=samples {
            let h = on + i as f64 * step / 60.0;
            if gap.is_some_and(|(start, end): (f64, f64)| h > start && h < end) {
                continue;
            }
            // The last instant of the day still belongs to it.
            let at = Wall(((h * 3_600_000.0) as i64).min(86_399_999));
            meter.reading(at, ppfd(h));
            if let Some((before, then)) = last.filter(|(before, _)| h - before > 3.0 * step / 60.0) {
                bridged += (h - before) * 3_600.0 * (ppfd(h) + then) / 2.0 * 1e-6;
            }
            last = Some((h, ppfd(h)));
        }
        let dose = meter.today();
        // The table's trapezoid runs across the gap; ours leaves it out and says so.
        row.is("trapezoid_dli", dose.mol_m2 + bridged, 2e-6);
        let missing = gap.map_or(0.0, |(start, end)| end - start);
        assert!((dose.missing_h - missing).abs() < 1e-9 && (dose.seen_h - (off - on - missing)).abs() < 1e-6);
        if gap.is_none() {
            row.is("exact_dli", dose.mol_m2, 4e-3 * row.get("exact_dli"));
        }
    }
}
