//! Thermometers on the board's 1-Wire bus, read one after the other from the kernel's `w1_slave`
//! files: nine bytes with their checksum, and the temperature. Where a kernel has only the plain
//! `temperature` file, that does too. A wrong checksum, a probe that has lost its power and the
//! values that it starts with are no temperatures.
//!
//! The kernel's page on it is Documentation/w1/slaves/w1_therm.rst.

use super::kernel::{KernelFile, Unread};
use super::{Ask, SourceAnswer, number};
use slackwater_rules::plan::SensorId;
use slackwater_rules::reading::Value;
use std::path::Path;

/// The bus, with all thermometers that are wanted.
pub(super) struct Bus {
    folder: KernelFile,
    probes: Vec<Thermometer>,
}

struct Thermometer {
    sensor: SensorId,
    device: String,
    slave: KernelFile,
    temperature: KernelFile,
}

impl Bus {
    /// Under this folder, `/sys/bus/w1/devices` on a real board.
    pub(super) fn new(folder: &Path, wanted: &[(SensorId, &str)]) -> Self {
        let probe = |&(sensor, device): &(SensorId, &str)| {
            let file = |name: &str| KernelFile::new(folder.join(device).join(name));
            Thermometer {
                sensor,
                device: device.to_owned(),
                slave: file("w1_slave"),
                temperature: file("temperature"),
            }
        };
        Self { folder: KernelFile::new(folder.to_owned()), probes: wanted.iter().map(probe).collect() }
    }
}

impl Ask for Bus {
    async fn ask(&mut self) -> Result<Vec<SourceAnswer>, String> {
        // Reading a folder as a file fails, but not as what is missing does.
        if self.folder.read().await == Err(Unread::Missing) {
            return Err("the kernel has no 1-Wire bus: is it switched on in the board's settings?".to_owned());
        }
        let mut answers = Vec::new();
        for probe in &mut self.probes {
            answers.push(SourceAnswer { sensor: probe.sensor, said: probe.ask().await });
        }
        Ok(answers)
    }
}

impl Thermometer {
    async fn ask(&mut self) -> Result<Value, String> {
        match self.slave.read().await {
            Ok(text) => checked(&text),
            Err(Unread::Failed(why)) => Err(why),
            Err(Unread::Missing) => match self.temperature.read().await {
                Ok(text) => celsius(&text),
                Err(Unread::Failed(why)) => Err(why),
                Err(Unread::Missing) => Err(format!("the bus shows no {}: is it plugged in?", self.device)),
            },
        }
    }
}

/// What two lines like these say:
/// `91 01 4b 46 7f ff 0c 10 70 : crc=70 YES` and `91 01 4b 46 7f ff 0c 10 70 t=25062`.
fn checked(text: &str) -> Result<Value, String> {
    let strange = || "the kernel's file is not as expected".to_owned();
    let (first, second) = text.split_once('\n').ok_or_else(strange)?;
    let (bytes, verdict) = first.split_once(':').ok_or_else(strange)?;
    let byte = |text| u8::from_str_radix(text, 16).ok();
    let bytes: Vec<u8> = bytes.split_whitespace().map(byte).collect::<Option<_>>().ok_or_else(strange)?;
    // A bus that is shorted reads zeros, and their checksum is right.
    if bytes.iter().all(|byte| *byte == 0) {
        return Err("the bus reads only zeros: its cable may be shorted".to_owned());
    }
    if bytes.iter().all(|byte| *byte == 0xff) {
        return Err("the probe does not answer: its cable may be broken".to_owned());
    }
    if !verdict.trim_end().ends_with("YES") || bytes.len() != 9 || crc8(&bytes) != 0 {
        return Err("the checksum of the probe's answer is wrong: a bad contact or a long cable".to_owned());
    }
    celsius(second.rsplit_once("t=").ok_or_else(strange)?.1)
}

/// Thousandths of a degree. What a probe says before its first measurement, or without enough
/// power for one, is none. No water of a tank has these values, so the bytes need not decide.
fn celsius(text: &str) -> Result<Value, String> {
    match text.trim() {
        "" => Err("the probe has not measured yet".to_owned()),
        "85000" => {
            Err("85 degC: what a probe says after a start, before it has measured; its power may be weak"
                .to_owned())
        }
        "127937" => Err("127.9 degC: what a probe says when its power is too weak to measure".to_owned()),
        text if text.parse::<i32>().is_ok_and(|value| value < -55_000) => Err(format!(
            "{text} thousandths of a degree are below what a probe can measure: it does not answer"
        )),
        text => match number(text, "degC")? {
            Value::Number(thousandths) => Ok(Value::Number(thousandths / 1000.0)),
            Value::Word(_) => Err(format!("`{text}` is not a number")),
        },
    }
}

/// CRC-8 of the 1-Wire bus, x⁸ + x⁵ + x⁴ + 1: zero over bytes that end with their own checksum.
/// Maxim Integrated, application note 27.
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 1 == 1 { (crc >> 1) ^ 0x8c } else { crc >> 1 })
    })
}

#[cfg(any(test, feature = "fuzzing"))]
/// Whatever the kernel's files say is a temperature or words.
pub(super) fn promise(text: &str) {
    super::is_answer(&checked(text));
    super::is_answer(&celsius(text));
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    /// Register words and readings, among them the ten of the DS18B20 data sheet, and whole
    /// scratchpads with their checksums. The first scratchpad stood on the kernel's mailing list
    /// in April 2023.
    const TABLE: &str = include_str!("../../tests/ds18b20.csv");

    fn rows() -> impl Iterator<Item = Vec<&'static str>> {
        TABLE.lines().filter(|line| !line.starts_with('#')).map(|line| line.split(',').collect())
    }

    #[test]
    fn checksums_are_those_of_the_table() {
        let mut count = 0;
        for row in rows() {
            let Some(bytes) = row[0].strip_prefix("scratchpad ") else { continue };
            let bytes: Vec<u8> =
                bytes.split(' ').map(|byte| u8::from_str_radix(byte, 16).expect("a byte")).collect();
            assert_eq!(crc8(&bytes), 0, "{row:?}");
            assert_eq!(format!("crc {:02x}", crc8(&bytes[..8])), row[4]);
            count += 1;
        }
        assert_eq!(count, 4);
    }

    #[test]
    fn every_word_of_the_table_is_its_temperature_unless_it_is_none() {
        let mut count = 0;
        for row in rows().filter(|row| row[0].len() == 4 && row[0] != "word_hex") {
            let word = u16::from_str_radix(row[0], 16).expect("a word").to_le_bytes();
            let mut bytes = vec![word[0], word[1], 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10];
            bytes.push(crc8(&bytes));
            let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
            let (bytes, crc) = (bytes.join(" "), &bytes[8]);
            let said = checked(&format!("{bytes} : crc={crc} YES\n{bytes} t={}\n", row[3]));
            match row[4] {
                "" => {
                    let Ok(Value::Number(celsius)) = said else { panic!("{row:?} {said:?}") };
                    let expected: f64 = row[1].parse().expect("a number");
                    assert!((celsius - expected).abs() < 0.001, "{row:?}: {celsius}");
                }
                _ => assert!(said.is_err(), "{row:?}"),
            }
            count += 1;
        }
        assert!(count >= 13, "{count}");
    }

    #[test]
    fn what_a_probe_says_when_it_has_nothing_to_say_is_no_temperature() {
        let good = "91 01 4b 46 7f ff 0c 10 70";
        let file = |bytes: &str, verdict: &str, t: &str| format!("{bytes} : crc=70 {verdict}\n{bytes} t={t}");
        let wrong = |text: &str| checked(text).expect_err(text);
        assert!(checked(&file(good, "YES", "25062")).is_ok());
        assert!(wrong(&file(good, "NO", "25062")).contains("checksum"));
        // One bit has flipped, and the kernel's verdict is that of an earlier reading.
        assert!(wrong(&file("91 03 4b 46 7f ff 0c 10 70", "YES", "25062")).contains("checksum"));
        assert!(wrong(&file("00 00 00 00 00 00 00 00 00", "YES", "0")).contains("shorted"));
        assert!(wrong(&file("ff ff ff ff ff ff ff ff ff", "NO", "-62")).contains("does not answer"));
        assert!(wrong(&file(good, "YES", "-127000")).contains("does not answer"));
        for broken in ["", "YES", "91 01\n", ":\nt=1", "xx : crc=70 YES\nt=25062", &file(good, "YES", "warm")]
        {
            wrong(broken);
        }
    }

    #[tokio::test]
    async fn each_probe_of_a_bus_answers_for_itself() {
        let tree = tempfile::tempdir().expect("a folder");
        let put = |device: &str, file: &str, text: &str| {
            fs::create_dir_all(tree.path().join(device)).expect("a folder");
            fs::write(tree.path().join(device).join(file), text).expect("written");
        };
        put(
            "28-000000000001",
            "w1_slave",
            "91 01 4b 46 7f ff 0c 10 70 : crc=70 YES\n91 01 4b 46 7f ff 0c 10 70 t=25062\n",
        );
        put("28-000000000002", "temperature", "24937\n");
        put("28-000000000003", "temperature", "85000\n");
        let wanted: Vec<_> =
            ["28-000000000001", "28-000000000002", "28-000000000003", "28-000000000004"].into();
        let wanted: Vec<_> = (0..).map(SensorId).zip(wanted).collect();
        let said: Vec<_> = Bus::new(tree.path(), &wanted).ask().await.expect("a bus").into_iter().collect();
        assert_eq!(said[0], SourceAnswer { sensor: SensorId(0), said: Ok(Value::Number(25.062)) });
        assert_eq!(said[1].said, Ok(Value::Number(24.937)));
        assert!(said[2].said.as_ref().is_err_and(|why| why.contains("after a start")));
        assert!(said[3].said.as_ref().is_err_and(|why| why.contains("shows no 28-000000000004")));
        let none = Bus::new(&tree.path().join("nothing"), &wanted).ask().await;
        assert!(none.is_err_and(|why| why.contains("no 1-Wire bus")));
    }
}
