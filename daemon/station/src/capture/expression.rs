//! Gates as one line of text, for the command line: `rpm within 700 900 {rev}/min for 10 s`.
//!
//! ```text
//! GATE      = CONDITION [for TIME] [proven]
//! CONDITION = PART { or PART }         PART = TERM { and TERM }         TERM = not TERM | ( CONDITION ) | TEST
//! TEST      = CHANNEL above N UNIT | CHANNEL below N UNIT | CHANNEL within N N UNIT
//!           | CHANNEL steady N UNIT [over TIME] | CHANNEL rising … | CHANNEL falling … | CHANNEL changed …
//! ```
//!
//! Numbers carry their UCUM units; a channel without a unit is compared with a plain number. What the words mean is
//! decided by the one judge, as for a gate of a procedure.

use car::Description;
use model::{ChannelId, Condition, Demand, Gate, Place, Problem, ProblemKind, Quantity, Span, Unit, Watch};
use procedure::defaults;

use crate::amount::leading_number;

/// As good as for ever.
pub(crate) const FOR_EVER: Span = Span::from_secs(3_600 * 24 * 365);

/// Words that are no units.
const WORDS: [&str; 9] = ["for", "proven", "and", "or", "over", "not", "to", ")", "("];
/// What can be asked of a channel.
const TESTS: [&str; 7] = ["above", "below", "within", "steady", "rising", "falling", "changed"];

/// Reads a gate; `argument` is the option it was given with.
pub(crate) fn gate(argument: &str, text: &str, description: &Description) -> Result<Gate, Problem> {
    let mut reader =
        Reader { argument, tokens: tokens(text), next: 0, end: text.chars().count() + 1, description };
    let condition = reader.condition()?;
    let (mut dwell, mut demand) = (Span::ZERO, Demand::Inside);
    while let Some(token) = reader.take() {
        match token.text {
            "for" => dwell = reader.time("for")?,
            "proven" => demand = Demand::Proven,
            other => {
                let seen = format!("'{other}' is not expected here");
                return Err(reader.wrong(
                    token.column,
                    seen,
                    "end it, or go on with and, or, for TIME, proven",
                ));
            }
        }
    }
    Ok(Gate { condition, demand, dwell, dropout: defaults::DROPOUT, limit: FOR_EVER })
}

/// A word with the column of its first character, from 1.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Token<'a> {
    text: &'a str,
    column: usize,
}

fn tokens(text: &str) -> Vec<Token<'_>> {
    let mut found = Vec::new();
    let mut begun: Option<(usize, usize)> = None;
    for (column, (at, c)) in (1..).zip(text.char_indices()) {
        let alone = matches!(c, '(' | ')');
        if (c.is_whitespace() || alone)
            && let Some((from, column)) = begun.take()
        {
            found.push(Token { text: &text[from..at], column });
        }
        if alone {
            found.push(Token { text: &text[at..at + 1], column });
        } else if !c.is_whitespace() {
            begun.get_or_insert((at, column));
        }
    }
    if let Some((from, column)) = begun {
        found.push(Token { text: &text[from..], column });
    }
    found
}

struct Reader<'a> {
    argument: &'a str,
    tokens: Vec<Token<'a>>,
    next: usize,
    end: usize,
    description: &'a Description,
}

impl<'a> Reader<'a> {
    fn wrong(&self, column: usize, seen: String, cure: &str) -> Problem {
        let column = u32::try_from(column).unwrap_or(u32::MAX);
        let place = Place::File { file: self.argument.to_string(), line: 1, column };
        Problem::new(ProblemKind::Argument, place, seen, cure)
    }

    fn peek(&self) -> Option<Token<'a>> {
        self.tokens.get(self.next).copied()
    }

    fn take(&mut self) -> Option<Token<'a>> {
        let token = self.peek()?;
        self.next += 1;
        Some(token)
    }

    fn take_word(&mut self, word: &str) -> bool {
        let there = self.peek().is_some_and(|token| token.text == word);
        self.next += usize::from(there);
        there
    }

    /// Where the next word stands, or would.
    fn here(&self) -> usize {
        self.peek().map_or(self.end, |token| token.column)
    }

    fn condition(&mut self) -> Result<Condition, Problem> {
        let mut of = vec![self.part()?];
        while self.take_word("or") {
            of.push(self.part()?);
        }
        Ok(if of.len() == 1 { of.remove(0) } else { Condition::Any { of } })
    }

    fn part(&mut self) -> Result<Condition, Problem> {
        let mut of = vec![self.term()?];
        while self.take_word("and") {
            of.push(self.term()?);
        }
        Ok(if of.len() == 1 { of.remove(0) } else { Condition::All { of } })
    }

    fn term(&mut self) -> Result<Condition, Problem> {
        if self.take_word("not") {
            return Ok(Condition::Not { of: Box::new(self.term()?) });
        }
        let opened = self.here();
        if self.take_word("(") {
            let inside = self.condition()?;
            if !self.take_word(")") {
                return Err(self.wrong(
                    self.here(),
                    format!("the bracket of column {opened} is not closed"),
                    "write )",
                ));
            }
            return Ok(inside);
        }
        self.test()
    }

    fn test(&mut self) -> Result<Condition, Problem> {
        let column = self.here();
        let Some(token) = self.take() else {
            return Err(self.wrong(
                column,
                "a condition is missing".into(),
                "write for example rpm above 500 {rev}/min",
            ));
        };
        let found = ChannelId::new(token.text).ok().and_then(|id| self.description.channel(&id));
        let Some(channel) = found else {
            let cure = match self.description.nearest_channel(token.text) {
                Some(near) => format!("did you mean '{near}'?"),
                None => "see the car's channels with holdgate car".into(),
            };
            return Err(self.wrong(token.column, format!("the car has no channel '{}'", token.text), &cure));
        };
        let (id, unit) = (channel.id.clone(), channel.unit.clone());
        let column = self.here();
        let verb = self.take().map(|token| token.text).unwrap_or_default();
        if !TESTS.contains(&verb) {
            let seen = if verb.is_empty() {
                format!("nothing is asked of {id}")
            } else {
                format!("'{verb}' is nothing that can be asked of a channel")
            };
            return Err(self.wrong(column, seen, &format!("write one of {}", TESTS.join(", "))));
        }
        let level = matches!(verb, "above" | "below" | "within");
        let over = if level { defaults::LEVEL_WINDOW } else { defaults::TREND_WINDOW };
        let mut watch = Watch { channel: id, over, fresh: defaults::FRESH };
        if verb == "within" {
            return self.within(watch, &unit);
        }
        let column = self.here();
        let number = self.number(&unit)?;
        if !level && number.value <= 0.0 {
            let seen = format!("a change of {number} can never be seen");
            return Err(self.wrong(column, seen, "give it above zero"));
        }
        if !level && self.take_word("over") {
            watch.over = self.time("over")?;
        }
        Ok(match verb {
            "above" => Condition::Above { watch, level: number, hysteresis: None },
            "below" => Condition::Below { watch, level: number, hysteresis: None },
            "steady" => Condition::Steady { watch, band: number },
            "rising" => Condition::Rising { watch, by: number },
            "falling" => Condition::Falling { watch, by: number },
            _ => Condition::Changed { watch, by: number },
        })
    }

    /// Two numbers; the first may leave its unit to the second.
    fn within(&mut self, watch: Watch, unit: &Unit) -> Result<Condition, Problem> {
        let column = self.here();
        let bare =
            self.peek().and_then(|token| leading_number(token.text)).filter(|(_, rest)| rest.is_empty());
        let second = self.tokens.get(self.next + 1);
        let shared = second.is_some_and(|next| next.text == "to" || leading_number(next.text).is_some());
        let low = match bare {
            Some((value, _)) if shared => {
                self.next += 1;
                Err(value)
            }
            _ => Ok(self.number(unit)?),
        };
        self.take_word("to");
        let high = self.number(unit)?;
        let low = low.unwrap_or_else(|value| Quantity::new(value, high.unit.clone()));
        let (from, to) = (low.to(unit).map(|q| q.value), high.to(unit).map(|q| q.value));
        if from.is_ok_and(|from| to.is_ok_and(|to| from >= to)) {
            let seen = format!("the window from {low} to {high} is empty");
            return Err(self.wrong(column, seen, "give the lower edge first"));
        }
        Ok(Condition::Within { watch, low, high, hysteresis: None })
    }

    /// A number with a unit that fits a channel's.
    fn number(&mut self, unit: &Unit) -> Result<Quantity, Problem> {
        let column = self.here();
        let example = || format!("write for example 700 {unit}");
        let Some((value, rest)) = self.peek().and_then(|token| leading_number(token.text)) else {
            let seen = self
                .peek()
                .map_or("a number is missing".into(), |token| format!("'{}' is no number", token.text));
            return Err(self.wrong(column, seen, &example()));
        };
        self.next += 1;
        let code = match rest {
            "" => self.peek().map(|token| token.text).filter(|text| !WORDS.contains(text)),
            rest => Some(rest),
        };
        self.next += usize::from(rest.is_empty() && code.is_some());
        let given = match code {
            Some(code) => {
                Unit::new(code).map_err(|error| self.wrong(column, error.to_string(), &example()))?
            }
            None if unit.code() == "1" => Unit::one(),
            None => return Err(self.wrong(column, format!("{value} has no unit"), &example())),
        };
        let number = Quantity::new(value, given);
        number.to(unit).map_err(|error| self.wrong(column, error.to_string(), &example()))?;
        Ok(number)
    }

    fn time(&mut self, after: &str) -> Result<Span, Problem> {
        let column = self.here();
        let quantity = self.number(&Unit::new("s").expect("the second is a unit"))?;
        let seconds = quantity.to(&Unit::new("s").expect("the second is a unit")).map_or(0.0, |q| q.value);
        let span = Span::from_secs_f64(seconds);
        if span > Span::ZERO && span <= FOR_EVER {
            return Ok(span);
        }
        Err(self.wrong(
            column,
            format!("the time after '{after}' is {span}"),
            "give a time above zero and below a year",
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Gate, String> {
        let car = crate::load::car(None).expect("it is shipped").description;
        gate("--start-when", text, &car).map_err(|problem| problem.to_string())
    }

    #[test]
    fn a_line_becomes_the_gate_that_a_procedure_would_build() {
        let gate = read("coolant above 75 Cel for 10 s proven").unwrap();
        assert_eq!((gate.dwell, gate.demand), (Span::from_secs(10), Demand::Proven));
        let Condition::Above { watch, level, .. } = &gate.condition else { panic!("{gate:?}") };
        assert_eq!((watch.channel.as_str(), level.to_string()), ("coolant", "75 °C".to_string()));
        // One unit for both edges, a unit of its own for each, and units without a space.
        for text in
            ["rpm within 700 900 {rev}/min", "rpm within 700 to 900/min", "rpm within 700{rev}/min 15 Hz"]
        {
            let Condition::Within { low, high, .. } = read(text).unwrap().condition else { panic!("{text}") };
            let per_minute = |q: &Quantity| q.to(&Unit::new("{rev}/min").unwrap()).unwrap().value.round();
            assert_eq!((per_minute(&low), per_minute(&high)), (700.0, 900.0), "{text}");
        }
        assert!(matches!(read("running above 0.5").unwrap().condition, Condition::Above { .. }));
        let Condition::Steady { watch, .. } = read("rpm steady 20 {rev}/min over 15 s").unwrap().condition
        else {
            panic!("not steady")
        };
        assert_eq!(watch.over, Span::from_secs(15));
        // and binds closer than or; brackets and not go before both.
        let of =
            read("rpm above 500 /min and not (fan above 0.5 or battery below 11 V) or running below 0.5")
                .unwrap();
        let Condition::Any { of } = of.condition else { panic!("{of:?}") };
        let Condition::All { of } = &of[0] else { panic!("{of:?}") };
        assert!(matches!(&of[1], Condition::Not { of } if matches!(**of, Condition::Any { .. })));
    }

    #[test]
    fn every_mistake_says_where_it_stands_and_how_to_mend_it() {
        let told: Vec<String> = [
            "",
            "rmp above 500 /min",
            "rpm",
            "rpm over 500 /min",
            "rpm above fast",
            "rpm above 500",
            "rpm above 500 Cel",
            "rpm above 500 furlongs",
            "rpm within 900 700 /min",
            "rpm steady 0 /min",
            "rpm above 500 /min for",
            "rpm above 500 /min for 0 s",
            "(rpm above 500 /min",
            "rpm above 500 /min perhaps",
            "rpm above 500 /min and",
        ]
        .iter()
        .map(|text| read(text).unwrap_err())
        .collect();
        insta::assert_snapshot!(told.join("\n"));
    }
}
