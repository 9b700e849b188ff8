use super::*;

/// Half an hour with loads switched, blips, a screw turned, a stop and a restart.
fn lived() -> Engine {
    let mut engine = engine(&WorldConfig { seed: 14, ..WorldConfig::default() });
    for k in 0..60 {
        engine.loads.switch(Load::ALL[k % 4], k % 3 == 0);
        engine.press_pedal(engine.at, if k % 5 == 0 { 0.15 } else { 0.0 });
        engine.run(1.0);
        engine.press_pedal(engine.at, 0.0);
        engine.turn_screw(engine.at, if k % 2 == 0 { 0.2 } else { -0.2 });
        engine.run(28.0);
        if k == 30 {
            engine.power_off(engine.at);
            engine.run(4.0);
            engine.power_on(engine.at);
            engine.crank(engine.at);
        }
    }
    engine
}

/// Conservation of mass: what came in less what went out is what is in the manifold, to a thousandth of what
/// passed.
#[test]
fn air_in_is_air_out_and_air_stored() {
    let begun = engine(&WorldConfig { seed: 14, ..WorldConfig::default() });
    let engine = lived();
    let p = &engine.parameters;
    let kelvin = |e: &Engine| KELVIN + intake(p, e.coolant.engine);
    let stored = |e: &Engine| e.pressure * p.manifold_volume / (air::GAS_CONSTANT * kelvin(e));
    let kept = stored(&engine) - stored(&begun);
    let ledger = &engine.ledger;
    let error = ledger.air_came - ledger.air_went - kept;
    assert!(ledger.air_came > 3.0, "half an hour of idling: {} kg", ledger.air_came);
    assert!(error.abs() < 1e-3 * ledger.air_came, "{error} of {}", ledger.air_came);
}

/// Conservation of energy, at the crank (to a ten thousandth of the work) and in the coolant (to a millionth of
/// the heat, both sides together).
#[test]
fn work_and_heat_are_where_they_went() {
    let begun = engine(&WorldConfig { seed: 14, ..WorldConfig::default() });
    let engine = lived();
    let p = &engine.parameters;
    let kinetic = |e: &Engine| 0.5 * p.inertia * (e.mean * TAU / 60.0).powi(2);
    let ledger = &engine.ledger;
    let error = ledger.work_given - ledger.work_taken - (kinetic(&engine) - kinetic(&begun));
    assert!(ledger.work_given > 2e6, "half an hour of some kW: {} J", ledger.work_given);
    // Where friction stops the crank within a step it takes less than it could.
    assert!(error.abs() < 1e-4 * ledger.work_given, "{error} of {}", ledger.work_given);

    let (gained, lost) = engine.coolant.ledger;
    let error = gained - lost - (engine.coolant.stored(p) - begun.coolant.stored(p));
    assert!(error.abs() < 1e-6 * gained, "{error} of {gained}");
}
