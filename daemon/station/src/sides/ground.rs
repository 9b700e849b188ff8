//! What a script is checked against before it runs, taken from the description of the car.

use car::{Channel, Description};
use model::{Problem, Span};
use procedure::check::{Ground, ReadingFact, RuleNames};
use report::findings::Rules;

use super::facts;

/// Everything that the checker of scripts must know of a car.
pub fn of(description: &Description, rules: Option<RuleNames>) -> Ground {
    let exchanges = link::shortest_exchanges(description);
    let reading = |channel: &Channel| {
        let uncertainty = channel.uncertainty();
        ReadingFact {
            request: channel.request,
            exchange: exchanges.get(channel.request).copied().unwrap_or(Span::ZERO),
            period: channel.period,
            resolution: uncertainty.resolution,
            noise: uncertainty.noise,
            shared: uncertainty.shared,
        }
    };
    Ground {
        car: description.name.clone(),
        facts: facts::of(description),
        readings: description.channels.iter().map(|c| (c.id.clone(), reading(c))).collect(),
        first_share: wire::schedule::BOOSTED_SHARE,
        rules,
    }
}

/// The names that finding rules ask for, each with the line in which it first stands.
///
/// Fails with every mistake of the rules themselves.
pub fn rule_names(file: &str, text: &str) -> Result<RuleNames, Vec<Problem>> {
    let rules = Rules::load(file, text)?;
    let line = |holds: &dyn Fn(&str) -> bool| {
        let place = text.lines().position(holds).map_or(0, |place| place + 1);
        u32::try_from(place).unwrap_or(0)
    };
    let note = |key: &str| line(&|text: &str| text.trim_start().starts_with("note") && names(text, key));
    let setup = |key: &str| line(&|text: &str| text.contains("setup") && names(text, key));
    Ok(RuleNames {
        file: file.into(),
        notes: rules.notes().into_iter().map(|key| (key.to_string(), note(key))).collect(),
        setup: rules.setup_values().into_iter().map(|key| (key.to_string(), setup(key))).collect(),
    })
}

/// Whether a line of TOML holds a text that is this name, or this name with a part of it after a point.
fn names(line: &str, name: &str) -> bool {
    line.split('"').skip(1).step_by(2).any(|text| text.split('.').next() == Some(name))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::{BENCH_CAR, described};

    #[test]
    fn an_exchange_is_as_long_as_the_standard_lets_it_be_short() {
        let car = described(BENCH_CAR.0, BENCH_CAR.1).unwrap();
        let ground = of(&car.description, None);
        let rpm = &ground.readings[&model::ChannelId::new("rpm").unwrap()];
        // Worked by hand after ISO 14230-2 at 10 400 Bd with its default times: a request of 2 + 4 characters, an
        // answer of 9 + 4, each 10 bit times: 18.27 ms; P4 5 ms between 6 characters; P2 25 ms; P3 55 ms.
        let by_hand = 19.0 * 10.0 / 10_400.0 * 1e3 + 5.0 * 5.0 + 25.0 + 55.0;
        assert!((rpm.exchange.as_millis_f64() - by_hand).abs() < 0.01, "{}", rpm.exchange);
        assert_eq!(rpm.request, ground.readings[&model::ChannelId::new("coolant").unwrap()].request);
    }

    #[test]
    fn rule_names_bear_the_line_they_stand_in() {
        let text = "schema = 1\n[[cause]]\nid = \"a\"\ntitle = \"A\"\nnext = [\"Look.\"]\n[[cause.evidence]]\nnote = \"idle_held\"\nis = { above_setup = \"base_idle_speed.high\" }\nwords = \"too high\"\nfor = 1\n";
        let names = rule_names("x.toml", text).unwrap();
        assert_eq!(names.notes, [("idle_held".to_string(), 7)]);
        assert_eq!(names.setup, [("base_idle_speed".to_string(), 8)]);
    }
}
