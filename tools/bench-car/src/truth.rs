//! What is really so, whatever the controller says.

/// The quantities the controller samples, all at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Readings {
    /// Engine speed, in r/min.
    pub rpm: f64,
    /// Throttle sensor, in V.
    pub throttle_volts: f64,
    /// Coolant temperature, in degrees Celsius.
    pub coolant: f64,
    /// Battery, in V.
    pub battery: f64,
    /// Air at the inlet, in degrees Celsius.
    pub intake: f64,
    /// Manifold pressure, in kPa absolute.
    pub manifold_kpa: f64,
    /// Air through the intake before the throttle, in g/s; what leaks in behind it is not in it.
    pub air_g_per_s: f64,
    /// How far the throttle plate is open, in degrees from the right place of its closed stop.
    pub plate_angle: f64,
    /// Short-term fuel trim, as a share.
    pub short_trim: f64,
    /// Long-term fuel trim, as a share.
    pub long_trim: f64,
    /// Ignition advance, in degrees before top dead centre; 0 while the engine stands.
    pub spark: f64,
    /// The radiator fan runs.
    pub fan_on: bool,
}

/// A quantity whose true mean a world can keep.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Truthful {
    /// Engine speed without its cyclic variation, in r/min.
    Rpm,
    /// Throttle sensor, in V.
    Throttle,
    /// Coolant temperature, in degrees Celsius.
    Coolant,
    /// Battery, in V.
    Battery,
    /// Manifold pressure, in kPa absolute.
    ManifoldPressure,
    /// Air through the intake before the throttle, in g/s.
    AirFlow,
}

impl Truthful {
    pub(crate) const COUNT: usize = 6;
    /// Every quantity.
    pub const ALL: [Self; Self::COUNT] =
        [Self::Rpm, Self::Throttle, Self::Coolant, Self::Battery, Self::ManifoldPressure, Self::AirFlow];

    pub(crate) fn of(self, readings: &Readings, mean_rpm: f64) -> f64 {
        match self {
            Self::Rpm => mean_rpm,
            Self::Throttle => readings.throttle_volts,
            Self::Coolant => readings.coolant,
            Self::Battery => readings.battery,
            Self::ManifoldPressure => readings.manifold_kpa,
            Self::AirFlow => readings.air_g_per_s,
        }
    }
}

/// The state of communication.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SessionState {
    /// No communication; waits for a wake-up pulse.
    Asleep,
    /// Woken by a pulse; waits for StartCommunication.
    Roused,
    /// Communication in the standard session.
    Standard,
    /// Communication in the set-up session, which allows control of the idle valve.
    SetUp,
}

/// What is really so at the moment last advanced to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// The moment this describes, in nanoseconds.
    pub at: i64,
    /// Engine speed with its cyclic variation, in r/min.
    pub rpm: f64,
    /// Engine speed without its cyclic variation, in r/min.
    pub mean_rpm: f64,
    /// The engine runs by itself.
    pub running: bool,
    /// Where the idle valve really stands, in steps from closed.
    pub valve_steps: f64,
    /// Where the controller believes it stands.
    pub valve_believed: u8,
    /// The steps it is held at by the tester.
    pub held: Option<u8>,
    /// Coolant temperature, in degrees Celsius.
    pub coolant: f64,
    /// Battery, in V.
    pub battery: f64,
    /// Throttle sensor, in V.
    pub throttle_volts: f64,
    /// The bypass screw, in turns out from seated.
    pub screw_turns: f64,
    /// Everything switched on together, 0 to 1 (see [`crate::World::set_load`]).
    pub load: f64,
    /// How far the throttle plate is open, in degrees from the right place of its closed stop.
    pub plate_angle: f64,
    /// The controller recognises the throttle as closed.
    pub recognised_closed: bool,
    /// The radiator fan runs.
    pub fan_on: bool,
    /// Short-term and long-term fuel trim, as shares.
    pub trims: (f64, f64),
    /// The idle speed the controller aims at, in r/min.
    pub idle_target: f64,
    /// The state of communication.
    pub session: SessionState,
    /// The end of the last request the controller took.
    pub last_request: Option<i64>,
    /// The ignition is on.
    pub key_on: bool,
}
