//! Consumption learned from declines against a generator of its own: the oxygen of still, dark
//! water in steps of a second, seen by a probe that is noisy, coarse, drifting or out of
//! calibration.

use crate::simulator::Random;
use slackwater_forecast::oxygen::Stocking;
use slackwater_forecast::oxygen::{self, ACUTE_MG_L, Before};
use slackwater_forecast::respiration::{Declines, LearnedRespiration, possible};
use slackwater_forecast::water::SeaWater;
use slackwater_time::{Moment, Span};

/// What the generator's water and probe are like. 250 L, 0.6 m2, 26 degC.
#[derive(Clone, Copy)]
struct Truth {
    /// mg/(L h).
    uses: f64,
    /// Turnovers an hour through the surface: 1.5 cm/h, from memory of lake studies.
    exchange: f64,
    /// The probe: noise and step, mg/L; drift, mg/(L h); offset, mg/L; gain.
    noise: f64,
    step: f64,
    drift: f64,
    offset: f64,
    gain: f64,
}

const GOOD: Truth =
    Truth { uses: 0.8, exchange: 0.036, noise: 0.0, step: 0.01, drift: 0.0, offset: 0.0, gain: 1.0 };
/// Oxygen at saturation at 26 degC, 35 psu: 6.66 mg/L (`tests/data`, Garcia & Gordon 1992).
const SATURATED: f64 = 6.66;

fn tank() -> oxygen::TankOxygen {
    oxygen::TankOxygen {
        volume: 0.25,
        surface: 0.6,
        water: SeaWater::new(26.0, 35.0).unwrap(),
        celsius: 26.0,
        pressure_hpa: 1_013.25,
        stocking: Stocking::Moderate,
        learned: None,
        measured: None,
    }
}

impl Truth {
    fn step(&self, mg_l: f64) -> f64 {
        mg_l + (self.exchange * (SATURATED - mg_l) - self.uses) / 3_600.0
    }

    fn shown(&self, mg_l: f64, hours: f64, random: &mut Random) -> f64 {
        let raw = self.gain * mg_l + self.offset + self.drift * hours + self.noise * random.normal();
        (raw / self.step).round() * self.step
    }

    /// Hours from `mg_l` to the threshold.
    fn lasts(&self, mut mg_l: f64, threshold: f64) -> f64 {
        let mut seconds = 0;
        while mg_l > threshold && seconds < 500_000 {
            mg_l = self.step(mg_l);
            seconds += 1;
        }
        f64::from(seconds) / 3_600.0
    }

    /// Pauses of some minutes at night, one a day, a reading a minute.
    fn pauses(&self, nights: u32, minutes: u32) -> Declines {
        let (mut declines, mut random) = (Declines::default(), Random::new(5));
        for night in 0..nights {
            let begin = Moment(1_000) + Span::hours(24).times(i64::from(night));
            let mut mg_l = 6.2;
            for minute in 0..minutes {
                let hours = f64::from(night) * 24.0 + f64::from(minute) / 60.0;
                let at = begin + Span::minutes(i64::from(minute));
                declines.take(at, Some((self.shown(mg_l, hours, &mut random), tank())));
                for _ in 0..60 {
                    mg_l = self.step(mg_l);
                }
            }
            declines.take(begin + Span::minutes(i64::from(minutes)), None);
        }
        declines
    }

    fn learned(&self, nights: u32, minutes: u32) -> Option<LearnedRespiration> {
        self.pauses(nights, minutes).learned(Stocking::Moderate)
    }
}

#[test]
fn three_declines_narrow_the_literature_and_hold_the_truth() {
    assert_eq!(GOOD.learned(2, 60), None, "two nights are chance");
    let learned = GOOD.learned(3, 60).expect("learned");
    assert_eq!(learned.declines, 3);
    assert!(learned.range.holds(0.8) && (learned.range.likely - 0.8).abs() < 0.05, "{learned:?}");
    let literature = oxygen::consumption(Stocking::Moderate, 26.0);
    assert!(learned.range.low >= literature.low && learned.range.high <= literature.high, "{learned:?}");
    let time = |tank: oxygen::TankOxygen| tank.time_to(ACUTE_MG_L, Before::Night, None).unwrap().range;
    let (wide, narrow) = (time(tank()), time(oxygen::TankOxygen { learned: Some(learned), ..tank() }));
    assert!(narrow.high - narrow.low < 0.5 * (wide.high - wide.low), "{narrow:?} of {wide:?}");
}

#[test]
fn a_noisy_coarse_and_drifting_probe_still_tells_the_truth_in_its_range() {
    let mut narrowed = 0;
    for uses in [0.4, 0.8, 1.5, 2.2] {
        for (noise, step, drift) in
            [(0.05, 0.1, 0.0), (0.15, 0.01, 0.0), (0.02, 0.1, 0.02), (0.02, 0.1, -0.02)]
        {
            let truth = Truth { uses, noise, step, drift, ..GOOD };
            if let Some(learned) = truth.learned(6, 60) {
                narrowed += 1;
                println!("{uses} by {noise}, {step}, {drift}: {:?}", learned.range);
                assert!(learned.range.holds(uses), "{uses} by noise {noise}, drift {drift}: {learned:?}");
            }
        }
    }
    println!("{narrowed} of 16 taught something");
    assert!(narrowed >= 8, "{narrowed}");
}

/// The early end counts: it may not come after the truth.
#[test]
fn a_probe_out_of_calibration_makes_no_estimate_later_than_the_truth() {
    for uses in [0.4, 0.8, 1.5, 2.2] {
        for (offset, gain) in [(0.6, 1.0), (-0.6, 1.0), (0.0, 1.1), (0.0, 0.8), (0.6, 0.9), (1.5, 1.0)] {
            let truth = Truth { uses, offset, gain, noise: 0.02, ..GOOD };
            let learned = truth.learned(4, 60);
            println!("{uses}, {offset}, {gain}: {:?}", learned.map(|it| it.range));
            for mg_l in [6.4, 5.0, 3.5] {
                let shown = truth.shown(mg_l, 0.0, &mut Random::new(3));
                let told = oxygen::TankOxygen { learned, measured: tank().believed(shown), ..tank() };
                let early = told.time_to(ACUTE_MG_L, Before::Night, None).unwrap().range.low;
                let lasts = truth.lasts(mg_l, ACUTE_MG_L);
                assert!(early <= lasts, "{early} h told, {lasts} h true: {uses}, {offset}, {gain}, {mg_l}");
            }
        }
    }
}

#[test]
fn what_no_tank_uses_is_not_learned() {
    for uses in [0.0, 0.05, 9.0] {
        assert_eq!(Truth { uses, ..GOOD }.learned(8, 60), None, "{uses}");
    }
    let stuck = Truth { gain: 0.0, offset: 6.0, ..GOOD };
    assert_eq!(stuck.learned(8, 60), None);
    assert_eq!(GOOD.learned(8, 25), None, "too short");
}

/// Its keeper says moderate; it uses more than that, or less.
#[test]
fn a_tank_stocked_otherwise_than_said_is_never_given_longer_than_the_literature_gives_it() {
    let literature = oxygen::consumption(Stocking::Moderate, 26.0);
    for uses in [0.22, 0.3, 3.0, 4.0] {
        if let Some(learned) = (Truth { uses, ..GOOD }).learned(4, 40) {
            assert!(learned.range.low >= literature.low && learned.range.high <= possible().high);
            assert!(learned.range.high >= uses, "{uses}: {learned:?}");
        }
    }
}

#[test]
fn declines_survive_as_numbers_and_numbers_that_no_decline_left_are_refused() {
    let declines = GOOD.pauses(11, 60);
    let learned = declines.learned(Stocking::Moderate);
    let mut next = Declines::default();
    assert!(next.recall(&declines.kept()));
    assert_eq!((next.learned(Stocking::Moderate), next.kept()), (learned, declines.kept()));
    for wrong in
        [vec![], vec![0.8], vec![0.9, 0.8, 1.0], vec![0.5, f64::NAN, 1.0], vec![0.8; 27], vec![9.0; 3]]
    {
        assert!(!next.recall(&wrong), "{wrong:?}");
        assert_eq!(next.learned(Stocking::Moderate), learned);
    }
}
