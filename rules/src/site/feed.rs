//! What feeds a sensor.

/// What feeds a sensor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Feed {
    /// Messages on this MQTT topic.
    Topic(String),
    /// Something that the agent asks by itself.
    Source(Source),
}

/// Something that the agent asks by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Source {
    /// A UPS, through its server: RFC 9271.
    Ups {
        /// Its name in the agent's configuration.
        ups: String,
        /// What is asked of it.
        reads: UpsReading,
    },
    /// A thermometer on the board's 1-Wire bus.
    OneWire {
        /// As the kernel names it: family and number, `28-0316a4b2c1ff`.
        device: String,
    },
    /// A mains adapter or battery that the kernel knows.
    Supply {
        /// As the kernel names it.
        supply: String,
        /// What is asked of it.
        reads: SupplyReading,
    },
}

/// What a UPS can be asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum UpsReading {
    /// Whether the mains are there: on or off.
    Mains,
    /// How full its battery is.
    Charge,
    /// How long its battery would last under the load of now.
    Runtime,
    /// The load of now, as a part of the most that it carries.
    Load,
    /// Of the mains.
    Voltage,
    /// Of the battery.
    BatteryVoltage,
    /// Whether the battery is about to end: on or off.
    LowBattery,
    /// Whether the battery is worn out: on or off.
    ReplaceBattery,
}

/// What a power supply can be asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SupplyReading {
    /// Whether an adapter is fed: on or off.
    Mains,
    /// How full a battery is.
    Charge,
    /// How long a battery lasts.
    Runtime,
    /// Of the battery or adapter.
    Voltage,
    /// Whether a battery is being drained: on or off.
    Discharging,
    /// Whether a battery is about to end: on or off.
    LowBattery,
}

impl Feed {
    /// Whether it says how long the watch's own power lasts.
    pub fn is_runtime(&self) -> bool {
        match self {
            Self::Source(Source::Ups { reads, .. }) => *reads == UpsReading::Runtime,
            Self::Source(Source::Supply { reads, .. }) => *reads == SupplyReading::Runtime,
            Self::Source(Source::OneWire { .. }) | Self::Topic(_) => false,
        }
    }
}
