//! A mains adapter or battery that the kernel knows, read from its folder in
//! `/sys/class/power_supply`. The kernel's page on it is
//! Documentation/ABI/testing/sysfs-class-power: per cent, microvolts, seconds, and words with
//! capital letters.

use super::kernel::{KernelFile, Unread};
use super::{Ask, SourceAnswer, number};
use slackwater_rules::plan::{SensorId, Source, SupplyReading};
use slackwater_rules::reading::Value;
use std::path::Path;

/// One supply, and what is wanted of it.
pub(super) struct KernelSupply {
    kind: KernelFile,
    present: KernelFile,
    wanted: Vec<WantedValue>,
}

struct WantedValue {
    sensor: SensorId,
    reads: SupplyReading,
    /// The first of these that is there has it.
    files: Vec<(&'static str, KernelFile)>,
}

/// In which files a reading can stand.
fn files(reads: SupplyReading) -> &'static [&'static str] {
    match reads {
        SupplyReading::Mains => &["online"],
        SupplyReading::Charge => &["capacity"],
        SupplyReading::Runtime => &["time_to_empty_avg", "time_to_empty_now"],
        SupplyReading::Voltage => &["voltage_now", "voltage_avg"],
        SupplyReading::Discharging => &["status"],
        SupplyReading::LowBattery => &["capacity_level"],
    }
}

impl KernelSupply {
    pub(super) fn new(folder: &Path, wanted: Vec<(SensorId, SupplyReading)>) -> Self {
        let file = |name: &str| KernelFile::new(folder.join(name));
        let wanted = wanted.into_iter().map(|(sensor, reads)| WantedValue {
            sensor,
            reads,
            files: files(reads).iter().map(|name| (*name, file(name))).collect(),
        });
        Self { wanted: wanted.collect(), kind: file("type"), present: file("present") }
    }
}

impl Ask for KernelSupply {
    async fn ask(&mut self) -> Result<Vec<SourceAnswer>, String> {
        match self.kind.read().await {
            Ok(_) => {}
            Err(Unread::Missing) => return Err("the kernel does not know it".to_owned()),
            Err(Unread::Failed(why)) => return Err(why),
        }
        if self.present.read().await.as_deref() == Ok("0") {
            return Err("its battery is not there".to_owned());
        }
        let mut answers = Vec::new();
        for wanted in &mut self.wanted {
            answers.push(SourceAnswer { sensor: wanted.sensor, said: wanted.ask().await });
        }
        Ok(answers)
    }
}

impl WantedValue {
    async fn ask(&mut self) -> Result<Value, String> {
        for (_, file) in &mut self.files {
            match file.read().await {
                Ok(text) => return understood(self.reads, text.trim()),
                Err(Unread::Missing) => {}
                Err(Unread::Failed(why)) => return Err(why),
            }
        }
        let names: Vec<&str> = self.files.iter().map(|(name, _)| *name).collect();
        Err(format!("it does not say: the kernel has no {} of it", names.join(" and no ")))
    }
}

fn understood(reads: SupplyReading, text: &str) -> Result<Value, String> {
    let strange = || Err(format!("`{text}` says nothing of it"));
    match reads {
        // 1 is a fixed supply, 2 a programmable one: both are fed.
        SupplyReading::Mains => match text {
            "1" | "2" => Ok(Source::switched(true)),
            "0" => Ok(Source::switched(false)),
            _ => strange(),
        },
        SupplyReading::Discharging => match text {
            "Discharging" => Ok(Source::switched(true)),
            "Charging" | "Not charging" | "Full" => Ok(Source::switched(false)),
            _ => strange(),
        },
        SupplyReading::LowBattery => match text {
            "Critical" | "Low" => Ok(Source::switched(true)),
            "Normal" | "High" | "Full" => Ok(Source::switched(false)),
            _ => strange(),
        },
        SupplyReading::Charge => match number(text, "%")? {
            Value::Number(part) if (0.0..=1.0).contains(&part) => Ok(Value::Number(part)),
            Value::Number(_) | Value::Word(_) => Err(format!("{text} % is not between 0 and 100 %")),
        },
        SupplyReading::Runtime => number(text, "s"),
        SupplyReading::Voltage => match number(text, "V")? {
            Value::Number(micro) => Ok(Value::Number(micro / 1e6)),
            Value::Word(_) => strange(),
        },
    }
}

#[cfg(any(test, feature = "fuzzing"))]
/// Whatever the kernel's files say is a reading or words.
pub(super) fn promise(text: &str) {
    for reads in [
        SupplyReading::Mains,
        SupplyReading::Charge,
        SupplyReading::Runtime,
        SupplyReading::Voltage,
        SupplyReading::Discharging,
        SupplyReading::LowBattery,
    ] {
        super::is_answer(&understood(reads, text.trim()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use SupplyReading::{Charge, Discharging, LowBattery, Mains, Runtime, Voltage};
    use std::fs;

    // Words and units: Documentation/ABI/testing/sysfs-class-power in the kernel's sources.
    const ON: Value = Value::Word(0);
    const OFF: Value = Value::Word(1);

    async fn ask(
        files: &[(&str, &str)],
        reads: &[SupplyReading],
    ) -> Result<Vec<Result<Value, String>>, String> {
        let tree = tempfile::tempdir().expect("a folder");
        for (name, text) in files {
            fs::write(tree.path().join(name), format!("{text}\n")).expect("written");
        }
        let wanted = (0..).map(SensorId).zip(reads.iter().copied()).collect();
        let answers = KernelSupply::new(tree.path(), wanted).ask().await?;
        Ok(answers.into_iter().map(|answer| answer.said).collect())
    }

    #[tokio::test]
    async fn an_adapter_says_whether_the_mains_are_there() {
        for (text, said) in [("1", ON), ("2", ON), ("0", OFF)] {
            let answers = ask(&[("type", "Mains"), ("online", text)], &[Mains]).await;
            assert_eq!(answers, Ok(vec![Ok(said)]), "{text}");
        }
        let strange = ask(&[("type", "Mains"), ("online", "x")], &[Mains]).await.expect("it is there");
        assert!(strange[0].is_err());
    }

    #[tokio::test]
    async fn a_battery_says_how_full_it_is_and_whether_it_is_being_drained() {
        let files = [
            ("type", "Battery"),
            ("present", "1"),
            ("status", "Discharging"),
            ("capacity", "64"),
            ("capacity_level", "Normal"),
            ("voltage_now", "3871000"),
            ("time_to_empty_now", "5400"),
        ];
        let answers = ask(&files, &[Discharging, Charge, LowBattery, Voltage, Runtime]).await;
        let number = |number| Ok(Value::Number(number));
        assert_eq!(answers, Ok(vec![Ok(ON), number(0.64), Ok(OFF), number(3.871), number(5400.0)]));
        for (status, said) in [("Charging", OFF), ("Not charging", OFF), ("Full", OFF)] {
            let answers = ask(&[("type", "Battery"), ("status", status)], &[Discharging]).await;
            assert_eq!(answers, Ok(vec![Ok(said)]));
        }
        for (level, said) in [("Critical", ON), ("Low", ON), ("High", OFF), ("Full", OFF)] {
            let answers = ask(&[("type", "Battery"), ("capacity_level", level)], &[LowBattery]).await;
            assert_eq!(answers, Ok(vec![Ok(said)]));
        }
    }

    #[tokio::test]
    async fn what_the_kernel_does_not_know_is_no_value() {
        let files = [("type", "Battery"), ("status", "Unknown"), ("capacity", "187")];
        let answers = ask(&files, &[Discharging, Charge, Mains]).await.expect("it is there");
        let why: Vec<String> = answers.into_iter().map(|said| said.expect_err("no value")).collect();
        assert!(why[0].contains("Unknown") && why[1].contains("187"), "{why:?}");
        assert!(why[2].contains("no online"), "{why:?}");
        assert!(ask(&[], &[Charge]).await.is_err_and(|why| why.contains("does not know")));
        let empty = ask(&[("type", "Battery"), ("present", "0"), ("capacity", "0")], &[Charge]).await;
        assert!(empty.is_err_and(|why| why.contains("not there")));
    }
}
