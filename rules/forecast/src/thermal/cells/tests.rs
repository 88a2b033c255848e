use super::*;
use crate::regression::Regression;

/// `thermal_trace.csv`: one simulated day in rows of ten minutes, with the least-squares result
/// that numpy's lstsq gives for exactly these rows and weights (its head states the four numbers).
#[test]
fn one_day_of_rows_gives_the_four_numbers_that_batch_least_squares_gives() {
    let table = include_str!("../../../tests/data/thermal_trace.csv");
    let rows: Vec<Cell> = table
        .lines()
        .filter(|line| line.starts_with(|c: char| c.is_ascii_digit()))
        .map(|line| {
            let row: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
            Cell {
                end: Moment(row[0] as i64 * 60_000),
                temperature: row[1],
                room: row[4],
                heaters: [row[3], 0.0],
                lamp: row[5],
                chiller: 0.0,
                disturbed: false,
                held: false,
            }
        })
        .collect();
    // No prior to speak of (and none of the two inputs that the trace lacks), and no forgetting.
    let mut regression = Regression::new([(1e6, 0.0); CONSTANTS], 1.0, 1.0);
    let mut residuals = Vec::new();
    let equations: Vec<Equation> = (0..rows.len() / 3 - 1)
        .map(|block| Equation::of(&rows[3 * block..3 * block + 6], 1.0 / 6.0).unwrap())
        .collect();
    assert_eq!(equations.len(), 47);
    for equation in &equations {
        regression.learn(&equation.with_room().unwrap(), equation.rate, 1.0);
    }
    let found = regression.constants();
    for equation in &equations {
        let x = equation.with_room().unwrap();
        residuals.push(equation.rate - x.iter().zip(found).map(|(x, c)| x * c).sum::<f64>());
    }
    let rms = (residuals.iter().map(|r| r * r).sum::<f64>() / residuals.len() as f64).sqrt();
    let [loss, first, _, other, lamp, _] = found;
    for (name, found, wanted, tolerance) in [
        ("tau", 1.0 / loss, 11.8334, 1e-3),
        ("r", first, 0.72887, 1e-5),
        ("q", other, 0.00663, 1e-5),
        ("l", lamp, 0.09159, 1e-5),
        ("rms", rms, 0.02109, 1e-5),
    ] {
        assert!((found - wanted).abs() <= tolerance, "{name}: {found} is not {wanted}");
    }
}

#[test]
fn a_reading_that_comes_late_belongs_to_the_cell_of_its_time() {
    let at = |minutes| Moment(0) + Span::minutes(minutes);
    let pass = |cells: &mut Cells, minutes| {
        while let Some(cell) = cells.next_ended(at(minutes)) {
            cells.push(cell);
        }
    };
    let mut cells = Cells::default();
    pass(&mut cells, 0);
    // A cell with a reading in time, two without, and one that has begun.
    cells.temperature(50.0);
    for minutes in [5, 10, 15, 17] {
        pass(&mut cells, minutes);
    }
    // A pack of all these minutes.
    for minute in 0..17 {
        cells.late(at(minute), 20.0 + minute as f64);
    }
    // Older than all that is kept, and no number.
    cells.late(Moment(-7_200_000), 1.0);
    cells.late(at(16), f64::NAN);
    pass(&mut cells, 20);
    let means: Vec<_> = cells.newest().map(|cell| cell.temperature).collect();
    assert_eq!(means, [35.5, 32.0, 27.0, 50.0]);
}
