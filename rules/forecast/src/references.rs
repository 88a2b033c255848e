//! Sources and ranges: where each figure of the forecasts comes from, how wide it is taken, and
//! which test holds it to its source. Nothing is computed here.
//!
//! "Memory" is a figure that was not read again at its source; it is a claim to confirm, and its
//! range is wide enough to bear that.
//!
//! # Water
//!
//! | figure | taken as | source | held by |
//! | --- | --- | --- | --- |
//! | oxygen at saturation | formula, 0.1 % | Garcia & Gordon 1992, Limnol. Oceanogr. 37:1307, without the misprinted term | `oxygen_solubility.csv` (gsw 3.6.23, Weiss 1970, Benson & Krause 1984), asked live in CI |
//! | its pressure | formula | Benson & Krause 1984; vapour by Green & Carritt 1967 | `oxygen_pressure.csv` |
//! | density, specific heat | formula | EOS-80, UNESCO Tech. Pap. Mar. Sci. 44 | `seawater_density_cp.csv` (python-seawater, gsw), live in CI |
//! | pressure by altitude | formula; weather moves it by 3 % | ICAO standard atmosphere, memory | `answers` |
//!
//! Salinity off by 2 psu moves the oxygen by 1.1 %, temperature off by 0.5 K by 0.85 %: the inputs
//! are what is unsure, not the equations.
//!
//! # Heat
//!
//! | figure | taken as | source | held by |
//! | --- | --- | --- | --- |
//! | loss of walls, surface, floor | 7.1, 10, 3.1 W/(m² K); half to twice | EN 673 and ISO 6946 resistances, memory; half is a lid or cabinet, twice a sump, plumbing or fan | 20 W/K of the worked example |
//! | evaporation | lowest, median, highest of five laws: a factor of two | ASHRAE (memory), Ryan & Harleman 1973, Shah 2014, Smith, Löf & Jones 1998 | `evaporation.csv` (PsychroLib, CoolProp) |
//! | what passes a lid | 0.05 to 0.5 of an open surface's evaporation, likely 0.2 | memory: covers of pools keep back nine tenths, tanks have slots | `planner` |
//! | humidity, if unknown | 50 % | common practice | said in the answer |
//! | heat capacity | water's, 0.85 to 1.2 of it | rock holds about half of the water it displaces, glass adds; memory | `cooling_scenarios.csv` for the water |
//! | cooling | closed forms and fourth-order steps | Newton's law with evaporation in it | `cooling_scenarios.csv` (scipy DOP853) |
//! | pumps' heat, if unknown | 0.04 to 0.2 W/L | memory | `study` |
//! | ends of a range, once a day is known | the tank's own past misses | adaptive conformal inference, Gibbs & Candès 2021, memory | `homes` |
//! | a water's own pace | 1.6 of its usual, and what heaters and losses make | engineering choice; 3 % of its own changes are beyond its usual | `homes` |
//! | a heater's rate by its rating | 0.75 to 1.35 of it | memory: volumes and ratings are off by so much | `homes` |
//! | loss answers to water against room | 1.05 to 1.4 | the evaporation laws, with lids and humidities | `identification` |
//!
//! A room's temperature as the place where a tank settles is wrong by hours: evaporation holds a
//! tank 0.4 to 2.4 K below its room. A free exponential through the first hour says "never" in half
//! of the cases; a straight line is early while the room falls no faster than the tank, and is the
//! early end of a forecast until the tank's day is known.
//!
//! # Oxygen
//!
//! | figure | taken as | source |
//! | --- | --- | --- |
//! | fish at rest | 69 species' line, mass to the 0.80 | Clarke & Johnston 1999, J. Anim. Ecol. 68:893; a species may differ by two, a fed fish by three |
//! | rock, coral, sand | 100 to 800 mg/(m² h) of floor | Long et al. 2013, PLoS ONE 8:e58581; others memory |
//! | a moderate tank | 0.35, 0.9, 2.3 mg/(L h) at 26 degC; light half, heavy twice | both above, for ten fish of 10 g in 250 L |
//! | warmth | 1.83, 2.1, 2.4 per 10 K | Clarke & Johnston 1999, across and within species |
//! | still surface | 0.5, 1.5, 2.5 cm/h at a Schmidt number of 600 | Cole & Caraco 1998 at no wind, halved for a slick; Schmidt number Wanninkhof 2014 |
//! | moved surface | 5, 12, 30 cm/h | memory |
//! | air stone | 2 to 8.7 % of the oxygen per metre of rise | EPA 1989 fine pore manual, memory; uncertain by two at tank depths |
//! | a stone's likely share, if it is coarse, fine or unknown | 2.4, 6, 3 %, each wide by two | the same |
//! | what tank water leaves of it | 0.85, of 0.8 to 0.9 | memory |
//! | depth of a stone of which nothing is said | 40 cm | common practice |
//! | start | 80 to 97 % at night, 92 to 110 % by day | common practice; a probe replaces it |
//! | chronic, acute threshold | 4.8, 2.3 mg/L | US EPA 2000, EPA-822-R-00-012 (numbers memory), for a temperate coast: a yardstick |
//!
//! `oxygen_outage.csv` (scipy) and `fish_respiration.csv` hold the formulas. The consumption moves
//! an answer by ten, the start by three, the surface by a tenth: so without a probe the range is
//! wide, and pages go by the time since the pumps stopped.
//!
//! # Battery, light, flow
//!
//! | figure | taken as | source |
//! | --- | --- | --- |
//! | Peukert's exponent | AGM 1.05 to 1.15, gel to 1.25, flooded 1.2 to 1.6, lithium to 1.05 | makers' sheets, second hand; limits of the law Doerffel & Sharkh 2006 |
//! | usable share | lead 0.5 to 0.8, lithium 0.8 to 0.95 | second hand |
//! | the time of a rating, if nobody says | lead 20 h, lithium 5 h | makers' custom, second hand |
//! | what an inverter passes on | 0.8, 0.85, 0.9 | makers' sheets, second hand |
//! | left of new | 0.7, 0.8, 1.0 | IEEE 450 and 1188 replace at 0.8, memory |
//! | below the rated current | no more than the rating | Peukert's law there is extrapolation; `battery.csv` shows the published mistake |
//! | photon flux and its bands | 50 to 100, 250 to 350 umol/(m² s) | McCree 1972 for the quantity; the bands are the trade's |
//! | turnover | ten volumes an hour | common practice; a pump's label is its flow at no height |
//! | salinity, limits, if nobody says | 35 psu; 22 and 29 degC | common practice |
//! | heater in hand | a third over the need | common practice |
//!
//! # How well it does
//!
//! What follows is measured in homes that no model of ours made (three masses, two rooms, other
//! laws of evaporation, people who declare nothing, restarts), held out from every choice: see the
//! manual's page on forecasts, and `SLACKWATER_HOMES=1000..1100 cargo test --release -p
//! slackwater-forecast --test homes -- --ignored --nocapture` for the whole table. The first
//! generator's tanks are asked by `SLACKWATER_TANKS=9000..9200 cargo test -p slackwater-forecast
//! --test science -- --ignored --nocapture two_hundred`.
