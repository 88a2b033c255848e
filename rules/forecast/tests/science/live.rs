//! The tables are only as good as who made them: where the independent Python libraries are
//! installed, they are asked directly. `SLACKWATER_NEED_REAL=1` makes their absence a failure;
//! `SLACKWATER_PYTHON` names the interpreter (`python3` otherwise).

use slackwater_forecast::water::SeaWater;
use std::process::Command;

/// gsw (TEOS-10 toolbox): Garcia & Gordon 1992 by its own authors' code; python-seawater: EOS-80.
const ASK: &str = "
import warnings; warnings.simplefilter('ignore')
import gsw, seawater
for t in (0, 7.5, 15, 22.3, 25.5, 28, 31, 40):
    for s in (0, 5, 18, 33.7, 35, 38, 42):
        print(t, s, float(gsw.O2sol_SP_pt(float(s), float(t))), float(seawater.dens0(s, t)), float(seawater.cp(s, t, 0)))
";

#[test]
fn the_oceanographers_libraries_agree_when_asked_directly() {
    let python = std::env::var("SLACKWATER_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let asked = Command::new(&python).args(["-c", ASK]).output();
    let output = match asked {
        Ok(output) if output.status.success() => output.stdout,
        other => {
            let needed = std::env::var_os("SLACKWATER_NEED_REAL").is_some_and(|value| value == "1");
            assert!(!needed, "gsw and seawater are needed with {python}: {other:?}");
            eprintln!("skipped: {python} has no gsw and seawater (pip install gsw seawater)");
            return;
        }
    };
    let text = String::from_utf8(output).unwrap();
    assert_eq!(text.lines().count(), 56);
    for line in text.lines() {
        let row: Vec<f64> = line.split(' ').map(|field| field.parse().unwrap()).collect();
        let water = SeaWater::new(row[0], row[1]).unwrap();
        let found = [water.oxygen_umol_kg(), water.density(), water.specific_heat()];
        for (found, wanted) in found.into_iter().zip(&row[2..]) {
            assert!((found / wanted - 1.0).abs() < 1e-9, "{found} is not {wanted} at {line}");
        }
    }
}
