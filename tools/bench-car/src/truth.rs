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
    /// Air into the engine, in g/s.
    pub air_g_per_s: f64,
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
    /// Electrical and belt load, 0 to 1.
    pub load: f64,
    /// The idle speed the controller aims at, in r/min.
    pub idle_target: f64,
    /// The state of communication.
    pub session: SessionState,
    /// The end of the last request the controller took.
    pub last_request: Option<i64>,
    /// The ignition is on.
    pub key_on: bool,
}
