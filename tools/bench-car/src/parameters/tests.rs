use super::*;

fn drawn(config: &WorldConfig) -> Parameters {
    Parameters::draw(config, &Severities::default())
}

/// Air at idle against published examples: an idle model of 2.48 l and the steady states of Crossley and
/// Cook give some g/s, and manifold pressures near idle lie well below the choked limit of 0.528.
#[test]
fn every_specimen_is_a_plausible_car() {
    for seed in 0..200 {
        let p = drawn(&WorldConfig { seed, ..WorldConfig::default() });
        assert!((1.5e-3..5.0e-3).contains(&p.idle_air), "{}", p.idle_air);
        let hot = balance::Condition::hot(&p);
        let manifold = balance::pressure_at(&p, WARM_IDLE, &hot) / 101_325.0;
        assert!((0.25..0.45).contains(&manifold), "{manifold}");
        assert!(p.base_area > 0.1 * balance::required_area(&p, WARM_IDLE, &hot), "{seed}: {}", p.base_area);
        assert!((13.5..=14.8).contains(&p.charging));
        let off = (p.screw_start - p.screw_right) * p.rpm_per_turn;
        assert!((69.9..170.1).contains(&off.abs()), "the screw is worth setting: {off}");
        assert!((7.0..11.0).contains(&p.rpm_per_step) && (90.0..140.0).contains(&p.rpm_per_turn));
        let counts = (p.sensor_rotated * p.throttle_slope).abs() / 5.0 * 255.0;
        assert!((1.99..8.01).contains(&counts), "the sensor is worth setting: {counts}");
        let open = THROTTLE_RIGHT + p.throttle_slope * p.plate_span;
        assert!((3.9..4.7).contains(&open), "{open}");
    }
}

#[test]
fn a_screw_far_out_is_what_makes_an_idle_high() {
    for seed in 0..50 {
        let p = drawn(&WorldConfig { seed, idle_high: true, ..WorldConfig::default() });
        let area = p.base_area + p.turn_area * p.screw_start;
        let rpm = balance::carried(&p, area, &balance::Condition::hot(&p));
        assert!((1_200.0..1_600.0).contains(&rpm), "{seed}: {rpm} at {}", p.screw_start);
    }
}
