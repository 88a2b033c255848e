//! Minutes of one sensor, packed. They flow in in order of time, and a short run of octets flows
//! out, from which exactly the same minutes come back: numbers as steps of the sensor's own
//! [`NumberScale`], each as what it differs by from the one before, column by column, and then squeezed
//! (zlib), which also tells a flipped bit.
//!
//! A mean is the sum of the steps of its readings, which is a whole number, over their count.
//! Averaging while readings come leaves some units in the last place behind; those of new minutes
//! are rounded away.

use super::bucket::{Bucket, Values};
use super::scale::{NumberScale, from_ordered, ordered};
use flate2::{Compress, Compression, Decompress, FlushCompress, FlushDecompress, Status};

/// What this version writes.
const FORMAT: u8 = 1;

/// So many units in the last place a mean may be off by averaging.
const ROUNDING: i64 = 4_096;

/// A pack is never larger than this once it is unpacked: a day of octets as they are.
const LARGEST: usize = 1 << 20;

/// No pack has more minutes.
const MOST: u64 = 100_000;

const COLUMNS: usize = 17;

/// The columns, in the order in which they are written.
#[derive(Clone, Copy)]
enum PackColumn {
    /// Minutes between this and the one before, less one.
    Pause,
    /// How many more were believed than in the one before.
    Count,
    Rejected,
    Kind,
    /// Of numbers, in steps: the lowest, from the one before; the others from the lowest.
    Lowest,
    Highest,
    Last,
    Sum,
    /// By what the steps miss them.
    LowestRest,
    HighestRest,
    LastRest,
    MeanRest,
    /// Of words.
    FirstWord,
    LastWord,
    Changes,
    /// Of means that are no sum of steps.
    WholeMean,
    /// Whether a mean is such a one.
    IsWhole,
}

const NOTHING: i64 = 0;
const NUMBERS: i64 = 1;
const WORDS: i64 = 2;

/// How means are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Means {
    /// What averaging left behind is rounded away.
    Rounded,
    /// To the last bit: of minutes that were written otherwise before.
    Exact,
}

/// Packs and unpacks, with the memory that this takes.
#[derive(Debug)]
pub(super) struct Packer {
    compress: Compress,
    decompress: Decompress,
}

impl Default for Packer {
    fn default() -> Self {
        Self { compress: Compress::new(Compression::new(6), true), decompress: Decompress::new(true) }
    }
}

impl Packer {
    /// Minutes in order of time, none twice, from the minute `from` on.
    pub(super) fn pack(&mut self, from: i64, buckets: &[Bucket], means: Means) -> Vec<u8> {
        let plain = columns(from, buckets, means);
        self.squeeze(&plain)
    }

    pub(super) fn squeeze(&mut self, plain: &[u8]) -> Vec<u8> {
        self.compress.reset();
        // The most that it can grow by, with room to end.
        let mut squeezed = Vec::with_capacity(plain.len() + plain.len() / 100 + 64);
        let _ = self.compress.compress_vec(plain, &mut squeezed, FlushCompress::Finish);
        squeezed.shrink_to_fit();
        squeezed
    }

    /// None if the octets are not whole, or not of a form that is known here.
    pub(super) fn loosen(&mut self, squeezed: &[u8]) -> Option<Vec<u8>> {
        self.decompress.reset(true);
        let mut plain = Vec::with_capacity((squeezed.len() * 4).clamp(256, LARGEST));
        loop {
            let (taken, given) = (self.decompress.total_in(), plain.len());
            let rest = squeezed.get(usize::try_from(taken).ok()?..)?;
            let status = self.decompress.decompress_vec(rest, &mut plain, FlushDecompress::None).ok()?;
            match status {
                Status::StreamEnd => return Some(plain),
                Status::Ok | Status::BufError if plain.len() == plain.capacity() && plain.len() < LARGEST => {
                    plain.reserve(plain.len());
                }
                // More may come of what it has taken in.
                Status::Ok if plain.len() > given || self.decompress.total_in() > taken => {}
                Status::Ok | Status::BufError => return None,
            }
        }
    }

    /// The minutes again, one after the other; none if the pack is not whole.
    pub(super) fn unpack(&mut self, from: i64, packed: &[u8]) -> Option<Unpacked> {
        Unpacked::new(from, self.loosen(packed)?)
    }
}

/// The columns of some minutes, one after the other, not squeezed.
pub(super) fn columns(from: i64, buckets: &[Bucket], means: Means) -> Vec<u8> {
    let numbers: Vec<f64> = buckets
        .iter()
        .flat_map(|bucket| match bucket.values {
            Some(Values::Numbers { lowest, highest, last, .. }) => vec![lowest, highest, last],
            Some(Values::Words { .. }) | None => Vec::new(),
        })
        .collect();
    let scale = NumberScale::of(&numbers);
    let mut columns: [Vec<i64>; COLUMNS] = Default::default();
    let mut put = |column: PackColumn, x: i64| {
        if let Some(column) = columns.get_mut(column as usize) {
            column.push(x);
        }
    };
    let (mut minute, mut count, mut steps_before) = (from - 1, 0_i64, 0_i64);
    for bucket in buckets {
        put(PackColumn::Pause, bucket.minute - minute - 1);
        put(PackColumn::Count, i64::from(bucket.count) - count);
        put(PackColumn::Rejected, bucket.rejected.into());
        (minute, count) = (bucket.minute, bucket.count.into());
        match bucket.values {
            None => put(PackColumn::Kind, NOTHING),
            Some(Values::Words { first, last, changes }) => {
                put(PackColumn::Kind, WORDS);
                put(PackColumn::FirstWord, first.into());
                put(PackColumn::LastWord, i64::from(last) - i64::from(first));
                put(PackColumn::Changes, changes.into());
            }
            Some(Values::Numbers { lowest, mean, highest, last }) => {
                put(PackColumn::Kind, NUMBERS);
                let ((low, low_rest), (high, high_rest)) = (scale.split(lowest), scale.split(highest));
                let (end, end_rest) = scale.split(last);
                put(PackColumn::Lowest, low.wrapping_sub(steps_before));
                steps_before = low;
                put(PackColumn::Highest, high.wrapping_sub(low));
                put(PackColumn::Last, end.wrapping_sub(low));
                put(PackColumn::LowestRest, low_rest);
                put(PackColumn::HighestRest, high_rest);
                put(PackColumn::LastRest, end_rest);
                match sum_of(scale, low, mean, count, means) {
                    Some((sum, rest)) => {
                        put(PackColumn::IsWhole, 0);
                        put(PackColumn::Sum, sum);
                        put(PackColumn::MeanRest, rest);
                    }
                    None => {
                        put(PackColumn::IsWhole, 1);
                        put(PackColumn::WholeMean, ordered(mean).wrapping_sub(ordered(lowest)));
                    }
                }
            }
        }
    }
    let mut out = vec![FORMAT];
    put_number(&mut out, buckets.len() as u64);
    match scale {
        NumberScale::Octets => out.push(u8::MAX),
        NumberScale::Steps { factor, offset, places } => {
            out.push(places);
            out.extend(factor.to_le_bytes());
            out.extend(offset.to_le_bytes());
        }
    }
    for column in columns {
        // A column that says nothing takes one octet.
        let used = column.len() - column.iter().rev().take_while(|x| **x == 0).count();
        put_number(&mut out, used as u64);
        for x in column.iter().take(used) {
            put_number(&mut out, zigzag(*x));
        }
    }
    out
}

/// The mean as steps of the sum above the lowest of each reading, and by what that misses it.
fn sum_of(scale: NumberScale, low: i64, mean: f64, count: i64, means: Means) -> Option<(i64, i64)> {
    if scale == NumberScale::Octets {
        return None;
    }
    let above = ((scale.place(mean) - low as f64) * count.max(1) as f64).round();
    if above.is_nan() || above.abs() > 1e12 {
        return None;
    }
    let rest = ordered(mean).wrapping_sub(ordered(mean_at(scale, low, above as i64, count)));
    match (rest.wrapping_abs(), means) {
        (..=ROUNDING, Means::Rounded) => Some((above as i64, 0)),
        (..=ROUNDING, Means::Exact) => Some((above as i64, rest)),
        (_, Means::Rounded | Means::Exact) => None,
    }
}

fn mean_at(scale: NumberScale, low: i64, sum: i64, count: i64) -> f64 {
    scale.at(low as f64 + sum as f64 / count.max(1) as f64)
}

/// Minutes on their way out of a pack.
#[derive(Debug)]
pub(super) struct Unpacked {
    plain: Vec<u8>,
    scale: NumberScale,
    left: u64,
    /// Where each column stands, and how many of its numbers are to come.
    at: [(usize, u64); COLUMNS],
    minute: i64,
    count: i64,
    low: i64,
}

impl Unpacked {
    pub(super) fn new(from: i64, plain: Vec<u8>) -> Option<Self> {
        let mut at = 1;
        if plain.first() != Some(&FORMAT) {
            return None;
        }
        let left = take_number(&plain, &mut at).filter(|left| *left <= MOST)?;
        let places = *plain.get(at)?;
        at += 1;
        let mut number = || {
            let octets = plain.get(at..at + 8)?.try_into().ok()?;
            at += 8;
            Some(f64::from_le_bytes(octets))
        };
        let scale = match places {
            u8::MAX => NumberScale::Octets,
            places => NumberScale::Steps { factor: number()?, offset: number()?, places },
        };
        let mut columns = [(0, 0); COLUMNS];
        for column in &mut columns {
            let used = take_number(&plain, &mut at)?;
            *column = (at, used);
            for _ in 0..used {
                take_number(&plain, &mut at)?;
            }
        }
        Some(Self { plain, scale, left, at: columns, minute: from - 1, count: 0, low: 0 })
    }

    /// How its means are kept.
    pub(super) fn means(&self) -> Means {
        let rests = self.at.get(PackColumn::MeanRest as usize).map_or(0, |(_, left)| *left);
        if rests > 0 { Means::Exact } else { Means::Rounded }
    }

    fn take(&mut self, column: PackColumn) -> i64 {
        let Some((at, left)) = self.at.get_mut(column as usize) else { return 0 };
        match left {
            0 => 0,
            _ => {
                *left -= 1;
                // It was gone through when the pack was opened.
                take_number(&self.plain, at).map_or(0, unzigzag)
            }
        }
    }

    fn take_u32(&mut self, column: PackColumn) -> u32 {
        self.take(column).clamp(0, u32::MAX.into()) as u32
    }

    fn numbers(&mut self) -> Values {
        self.low = self.low.wrapping_add(self.take(PackColumn::Lowest));
        let low = self.low;
        let high = low.wrapping_add(self.take(PackColumn::Highest));
        let end = low.wrapping_add(self.take(PackColumn::Last));
        let lowest = self.scale.join(low, self.take(PackColumn::LowestRest));
        let highest = self.scale.join(high, self.take(PackColumn::HighestRest));
        let last = self.scale.join(end, self.take(PackColumn::LastRest));
        let mean = match self.take(PackColumn::IsWhole) {
            0 => {
                let (sum, rest) = (self.take(PackColumn::Sum), self.take(PackColumn::MeanRest));
                from_ordered(ordered(mean_at(self.scale, low, sum, self.count)).wrapping_add(rest))
            }
            _ => from_ordered(ordered(lowest).wrapping_add(self.take(PackColumn::WholeMean))),
        };
        Values::Numbers { lowest, mean, highest, last }
    }
}

impl Iterator for Unpacked {
    type Item = Bucket;

    fn next(&mut self) -> Option<Bucket> {
        self.left = self.left.checked_sub(1)?;
        self.minute = self.minute.wrapping_add(self.take(PackColumn::Pause)).wrapping_add(1);
        self.count = self.count.wrapping_add(self.take(PackColumn::Count));
        let rejected = self.take_u32(PackColumn::Rejected);
        let values = match self.take(PackColumn::Kind) {
            NUMBERS => Some(self.numbers()),
            WORDS => {
                let first = self.take(PackColumn::FirstWord);
                let last = first.wrapping_add(self.take(PackColumn::LastWord));
                let word = |x: i64| x.clamp(0, u16::MAX.into()) as u16;
                let changes = self.take_u32(PackColumn::Changes);
                Some(Values::Words { first: word(first), last: word(last), changes })
            }
            _ => None,
        };
        let count = self.count.clamp(0, u32::MAX.into()) as u32;
        Some(Bucket { minute: self.minute, count, rejected, values })
    }
}

fn zigzag(x: i64) -> u64 {
    ((x << 1) ^ (x >> 63)).cast_unsigned()
}

fn unzigzag(x: u64) -> i64 {
    (x >> 1).cast_signed() ^ -(x & 1).cast_signed()
}

/// Seven bits an octet, the lowest first.
pub(super) fn put_number(out: &mut Vec<u8>, mut x: u64) {
    while x >= 0x80 {
        out.push(x as u8 | 0x80);
        x >>= 7;
    }
    out.push(x as u8);
}

pub(super) fn take_number(octets: &[u8], at: &mut usize) -> Option<u64> {
    let mut x = 0;
    for shift in (0..64).step_by(7) {
        let octet = *octets.get(*at)?;
        *at += 1;
        x |= u64::from(octet & 0x7F) << shift;
        if octet < 0x80 {
            return Some(x);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn minutes() -> impl Strategy<Value = Vec<Bucket>> {
        let number = prop_oneof![
            (-50_000..50_000_i64).prop_map(|n| n as f64 / 100.0),
            (0..9_000_i64).prop_map(|n| n as f64 / 3.6e6),
            any::<f64>().prop_filter("a number", |x| x.is_finite()),
        ];
        let numbers = (number.clone(), number.clone(), number.clone(), number)
            .prop_map(|(lowest, mean, highest, last)| Values::Numbers { lowest, mean, highest, last });
        let words = (any::<u16>(), any::<u16>(), any::<u32>())
            .prop_map(|(first, last, changes)| Values::Words { first, last, changes });
        let values = prop_oneof![numbers.prop_map(Some), words.prop_map(Some), Just(None)];
        let one = (1..50_i64, any::<u32>(), any::<u32>(), values);
        prop::collection::vec(one, 0..60).prop_map(|all| {
            let mut minute = 1_000;
            let mut next = |(pause, count, rejected, values): (i64, u32, u32, _)| {
                minute += pause;
                Bucket { minute, count, rejected, values }
            };
            all.into_iter().map(&mut next).collect()
        })
    }

    proptest! {
        #[test]
        fn whatever_is_packed_exactly_comes_back_as_it_was(buckets in minutes()) {
            let mut packer = Packer::default();
            let packed = packer.pack(1_000, &buckets, Means::Exact);
            let back: Vec<Bucket> = packer.unpack(1_000, &packed).unwrap().collect();
            prop_assert_eq!(back, buckets);
        }

        #[test]
        fn octets_from_anywhere_never_panic_and_a_flipped_bit_is_told(
            buckets in minutes(), garbage in prop::collection::vec(any::<u8>(), 0..200), at in any::<prop::sample::Index>(),
        ) {
            let mut packer = Packer::default();
            let _ = packer.unpack(0, &garbage).map(|minutes| minutes.take(1_000).count());
            let _ = Unpacked::new(0, [vec![FORMAT], garbage].concat()).map(|minutes| minutes.take(1_000).count());
            let mut packed = packer.pack(1_000, &buckets, Means::Exact);
            let at = at.index(packed.len());
            packed[at] ^= 0x10;
            let back = packer.unpack(1_000, &packed).map(|minutes| minutes.take(1_000).collect::<Vec<_>>());
            prop_assert!(back.is_none_or(|back| back == buckets));
        }
    }

    #[test]
    fn a_quarter_of_a_day_of_a_thermometer_at_a_reading_a_second_takes_little() {
        for (factor, offset, decimals) in
            [(1.0, 0.0, 100.0), (5.0 / 9.0, -160.0 / 9.0, 10.0), (1.0 / 3.6e6, 0.0, 1.0)]
        {
            let mut buckets = Vec::new();
            for minute in 0..360 {
                let mut bucket = Bucket::new(minute);
                for second in 0..60 {
                    let t = f64::from(i32::try_from(minute).unwrap() * 60 + second);
                    let said = ((75.0 + (t / 5_000.0).sin() * 3.0) * decimals).round() / decimals;
                    bucket.add(slackwater_rules::reading::Value::Number(said.mul_add(factor, offset)));
                }
                buckets.push(bucket);
            }
            let mut packer = Packer::default();
            let packed = packer.pack(0, &buckets, Means::Rounded);
            assert!(packed.len() < 360 * 4, "{factor}: {} octets", packed.len());
            for (back, was) in packer.unpack(0, &packed).unwrap().zip(&buckets) {
                let (
                    Some(Values::Numbers { mean: back_mean, .. }),
                    Some(Values::Numbers { mean, lowest, highest, last }),
                ) = (back.values, was.values)
                else {
                    panic!()
                };
                assert!((back_mean - mean).abs() <= mean.abs() * 1e-12);
                let values = Some(Values::Numbers { mean: back_mean, lowest, highest, last });
                assert_eq!(back, Bucket { values, ..*was });
            }
        }
    }
}
