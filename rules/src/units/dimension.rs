//! Dimensions: which physical quantity a number stands for. They multiply and divide, and two
//! numbers can be compared only if theirs agree.

/// Which physical quantity a number stands for, as exponents of base quantities.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Dimension {
    length: i8,
    mass: i8,
    time: i8,
    current: i8,
    temperature: i8,
    amount: i8,
    /// Practical salinity and pH are pure numbers; kept apart so that they can't be mixed up.
    salinity: i8,
    acidity: i8,
    /// A point on a temperature scale, as against a difference of two.
    point: bool,
}

macro_rules! dimension {
    ($($field:ident: $value:expr),*) => {
        Dimension { $($field: $value,)* ..Dimension::NUMBER }
    };
}

impl Dimension {
    /// A pure number or a share (percent).
    pub const NUMBER: Self = Self {
        length: 0,
        mass: 0,
        time: 0,
        current: 0,
        temperature: 0,
        amount: 0,
        salinity: 0,
        acidity: 0,
        point: false,
    };
    /// A temperature on a scale; base unit degC.
    pub const TEMPERATURE: Self = dimension!(temperature: 1, point: true);
    /// A difference of temperatures; base unit K.
    pub const DIFFERENCE: Self = dimension!(temperature: 1);
    /// Base unit m.
    pub const LENGTH: Self = dimension!(length: 1);
    /// Base unit m3.
    pub const VOLUME: Self = dimension!(length: 3);
    /// Base unit m3/s.
    pub const FLOW: Self = dimension!(length: 3, time: -1);
    /// Base unit s.
    pub const TIME: Self = dimension!(time: 1);
    /// Base unit W.
    pub const POWER: Self = dimension!(length: 2, mass: 1, time: -3);
    /// Base unit J.
    pub const ENERGY: Self = dimension!(length: 2, mass: 1, time: -2);
    /// Base unit A.
    pub const CURRENT: Self = dimension!(current: 1);
    /// Base unit C (A s).
    pub const CHARGE: Self = dimension!(current: 1, time: 1);
    /// Base unit V.
    pub const VOLTAGE: Self = dimension!(length: 2, mass: 1, time: -3, current: -1);
    /// Practical salinity; base unit ppt (g of salt in a kg of water, as keepers write it).
    pub const SALINITY: Self = dimension!(salinity: 1);
    /// Of the water as it is, at its temperature; base unit S/m.
    pub const CONDUCTIVITY: Self = dimension!(length: -3, mass: -1, time: 3, current: 2);
    /// What the water takes of acid; base unit mol/m³ of protons (meq/L).
    pub const ALKALINITY: Self = dimension!(amount: 1, length: -3);
    /// Base unit pH.
    pub const ACIDITY: Self = dimension!(acidity: 1);
    /// Base unit kg/m3.
    pub const CONCENTRATION: Self = dimension!(mass: 1, length: -3);
    /// Photons per area and time; base unit mol/(m2 s).
    pub const LIGHT: Self = dimension!(amount: 1, length: -2, time: -1);
    /// Photons per area (a daily light integral); base unit mol/m2.
    pub const LIGHT_DOSE: Self = dimension!(amount: 1, length: -2);
    /// Base unit Pa.
    pub const PRESSURE: Self = dimension!(length: -1, mass: 1, time: -2);

    /// The dimension of a difference of two values of this one.
    pub fn difference(self) -> Self {
        Self { point: false, ..self }
    }

    /// Whether values have an arbitrary zero, so that sums and ratios of them mean nothing.
    pub fn is_point(self) -> bool {
        self.point
    }

    /// The dimension of a product.
    pub fn times(self, other: Self) -> Self {
        self.combine(other, 1)
    }

    /// The dimension of a quotient.
    pub fn per(self, other: Self) -> Self {
        self.combine(other, -1)
    }

    fn combine(self, other: Self, sign: i8) -> Self {
        let add = |a: i8, b: i8| a.saturating_add(b.saturating_mul(sign));
        Self {
            length: add(self.length, other.length),
            mass: add(self.mass, other.mass),
            time: add(self.time, other.time),
            current: add(self.current, other.current),
            temperature: add(self.temperature, other.temperature),
            amount: add(self.amount, other.amount),
            salinity: add(self.salinity, other.salinity),
            acidity: add(self.acidity, other.acidity),
            point: false,
        }
    }

    /// The quantity in words: `a temperature`, `a flow`, `a temperature difference per time`.
    pub fn words(self) -> &'static str {
        let per_time = |of: Self| of.difference().per(Self::TIME);
        match self {
            Self::NUMBER => "a plain number or share",
            Self::TEMPERATURE => "a temperature",
            Self::DIFFERENCE => "a temperature difference",
            Self::LENGTH => "a length",
            Self::VOLUME => "a volume",
            Self::FLOW => "a flow",
            Self::TIME => "a duration",
            Self::POWER => "a power",
            Self::ENERGY => "an energy",
            Self::CURRENT => "an electric current",
            Self::CHARGE => "an electric charge",
            Self::VOLTAGE => "a voltage",
            Self::SALINITY => "a salinity",
            Self::ACIDITY => "a pH",
            Self::CONDUCTIVITY => "a conductivity",
            Self::ALKALINITY => "an alkalinity",
            Self::CONCENTRATION => "a concentration",
            Self::LIGHT => "a photon flux density",
            Self::LIGHT_DOSE => "a light integral",
            Self::PRESSURE => "a pressure",
            d if d == per_time(Self::TEMPERATURE) => "a temperature change per time",
            d if d == per_time(Self::NUMBER) => "a rate per time",
            d if d == per_time(Self::LENGTH) => "a level change per time",
            d if d == per_time(Self::SALINITY) => "a salinity change per time",
            d if d == per_time(Self::ACIDITY) => "a pH change per time",
            d if d == per_time(Self::ALKALINITY) => "an alkalinity change per time",
            d if d == per_time(Self::CONDUCTIVITY) => "a conductivity change per time",
            d if d == per_time(Self::VOLTAGE) => "a voltage change per time",
            _ => "a compound quantity",
        }
    }

    /// What may help a person who gave `self` where `wanted` was meant; begins with a colon.
    pub(crate) fn hint(self, wanted: Self) -> &'static str {
        if self == Self::DIFFERENCE && wanted == Self::TEMPERATURE {
            ": K is a difference here, a temperature is in degC or degF"
        } else if self == Self::CONDUCTIVITY && wanted == Self::SALINITY {
            ": of a meter that compensates to 25 degC it is `mS/cm@25C`; of any other, measure `conductivity`"
        } else if self == Self::CONCENTRATION && wanted == Self::ALKALINITY {
            ": an alkalinity in ppm is `ppm-CaCO3`"
        } else {
            ""
        }
    }
}
