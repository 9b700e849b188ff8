//! Polls the bench car's long block for a simulated hour, from event to event, as the measure of its pace:
//! `time cargo run --release -p holdgate-bench-car --example poll_an_hour`.

use holdgate_bench_car::{World, WorldConfig};

const MS: i64 = 1_000_000;
const HOUR: i64 = 3_600_000 * MS;

fn main() {
    let config = WorldConfig { awake: true, ..WorldConfig::default() };
    let mut world = World::new(config).expect("a valid configuration");
    let mut heard = Vec::new();
    let (mut now, mut answers) = (0, 0);
    while now < HOUR {
        let request: &[u8] =
            if now == 0 { &[0x81, 0x2A, 0xF1, 0x81] } else { &[0x82, 0x2A, 0xF1, 0x21, 0xA1] };
        let sum = request.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
        let length = if now == 0 { 8 } else { 14 } - 1;
        now += 55 * MS;
        for byte in request.iter().chain([&sum]) {
            world.write(now, *byte);
            now = world.next_event().expect("the echo");
            world.read(now, &mut heard);
            now += 5 * MS;
        }
        heard.clear();
        now -= 5 * MS;
        while heard.len() < length {
            now = world.next_event().expect("an answer");
            world.read(now, &mut heard);
        }
        answers += 1;
    }
    assert!((25_000..36_000).contains(&answers), "some eight exchanges a second: {answers} in an hour");
}
