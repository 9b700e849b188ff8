//! Trouble codes: by status where the controller has that service, the emissions codes where not.

use model::{Command, Event, Moment, Reply};

use super::controller::Say;
use super::sides::pick;
use super::world::{World, refusal};
use super::{S, rpm_above};

fn read(world: World) -> (Reply, Vec<Vec<String>>) {
    let reply = std::sync::Arc::new(std::sync::Mutex::new(None));
    let keep = reply.clone();
    let told = world.run(move |script| {
        script.link_up();
        *keep.lock().unwrap() = Some(script.ask(Command::ReadCodes));
    });
    let codes = pick(&told.events, |event| match event {
        Event::CodesRead { codes } => Some(codes.clone()),
        _ => None,
    });
    let reply = reply.lock().unwrap().take().unwrap();
    (reply, codes.into_iter().map(|(_, codes)| codes).collect())
}

#[test]
fn stored_codes_are_read_by_status() {
    // Service 18 (ISO 14230-3, from memory): a count, then two bytes of code and one of status each. The code
    // 01 33 is P0133 (SAE J2012: two bits of letter, two of the first digit).
    let world = World::with(|_, request| match request {
        [0x18, 0x00, 0xFF, 0x00] => Say::Data(vec![0x58, 2, 0x01, 0x33, 0xE0, 0xC1, 0x00, 0x60]),
        _ => Say::Usual,
    });
    let (reply, recorded) = read(world);
    let codes = vec!["P0133".to_string(), "U0100".to_string()];
    assert_eq!(reply, Reply::Codes { codes: codes.clone() });
    assert_eq!(recorded, [codes]);
}

#[test]
fn a_controller_without_that_service_gives_its_emissions_codes() {
    // Service 03 (SAE J1979): pairs of bytes, padded with zeros.
    let (reply, _) = read(World::new());
    assert_eq!(reply, Reply::Codes { codes: vec!["P0133".into()] });
}

#[test]
fn a_controller_with_neither_is_told_as_one_that_does_not_tell() {
    let world = World::with(|_, r| if matches!(r[0], 0x18 | 0x03) { Say::Refuse(0x11) } else { Say::Usual });
    let (reply, recorded) = read(world);
    assert!(refusal(&reply).contains("the controller does not tell its trouble codes"), "{reply:?}");
    assert!(recorded.is_empty());
}

#[test]
fn codes_that_do_not_fit_their_count_are_not_read() {
    let world = World::with(|_, request| match request[0] {
        0x18 => Say::Data(vec![0x58, 3, 0x01, 0x33, 0xE0]),
        _ => Say::Usual,
    });
    let (reply, recorded) = read(world);
    assert!(refusal(&reply).contains("read them again"), "{reply:?}");
    assert!(recorded.is_empty());
}

#[test]
fn a_question_that_is_not_answered_is_the_links_fault_not_the_cars() {
    let world = World::with(|_, request| if request[0] == 0x18 { Say::Nothing } else { Say::Usual });
    let (reply, _) = read(world);
    let Reply::Refused { problem } = &reply else { panic!("{reply:?}") };
    assert_eq!(problem.kind, model::ProblemKind::Link);
    assert!(problem.seen.contains("was not answered"), "{problem}");
}

#[test]
fn codes_can_be_read_while_something_is_held() {
    let told = World::new().run(|script| {
        script.link_up();
        script.engage(S(20), vec![rpm_above(4_000.0)]);
        let reply = script.ask(Command::ReadCodes);
        assert_eq!(reply, Reply::Codes { codes: vec!["P0133".into()] });
        script.release();
    });
    assert!(told.engaged_at() > Moment::ZERO);
}
