//! Sessions that cannot be read.

use std::path::Path;

use crate::world::{World, remarks};

fn flip(path: &Path) {
    let mut bytes = std::fs::read(path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(path, bytes).unwrap();
}

#[tokio::test]
async fn a_flipped_bit_in_a_table_is_told_not_served() {
    for table in ["events.parquet", "samples.parquet"] {
        let world = World::empty();
        let folder = world.record("first", &remarks("first", 1..=7));
        flip(&folder.join(table));
        for path in ["/v1/sessions/first", "/v1/sessions/first/events", "/v1/sessions/first/events?after=7"] {
            let problem = world.get(path).await.problem(500);
            assert_eq!(problem["kind"], "record");
            assert!(problem["place"]["path"].as_str().unwrap().contains(table), "{problem}");
        }
    }
}

#[tokio::test]
async fn a_broken_description_does_not_hide_the_other_sessions() {
    let world = World::new();
    let folder = world.record("third", &[]);
    for text in ["", "{", "{}", "\u{0}", "[1]"] {
        std::fs::write(folder.join("session.json"), text).unwrap();
        let list = world.get("/v1/sessions").await.json();
        assert_eq!(list["sessions"].as_array().unwrap().len(), 2);
        let problem = &list["problems"][0];
        assert!(problem["place"]["path"].as_str().unwrap().contains("third"), "{problem}");
        assert!(!problem["cure"].as_str().unwrap().is_empty());
        world.get("/v1/sessions/third").await.problem(500);
        world.get("/v1/sessions/third/events").await.problem(500);
    }
    assert_eq!(world.get("/v1/sessions/first").await.status, 200);
}

#[tokio::test]
async fn a_renamed_folder_is_not_passed_off_as_another_session() {
    let world = World::empty();
    let folder = world.record("first", &remarks("first", 1..=2));
    std::fs::rename(&folder, folder.with_file_name("other")).unwrap();
    let list = world.get("/v1/sessions").await.json();
    assert_eq!(
        (list["sessions"].as_array().unwrap().len(), list["problems"].as_array().unwrap().len()),
        (0, 1)
    );
    for path in ["/v1/sessions/other", "/v1/sessions/other/events"] {
        let problem = world.get(path).await.problem(500);
        assert!(problem["seen"].as_str().unwrap().contains("first"), "{problem}");
    }
}

#[tokio::test]
async fn two_sessions_of_one_name_are_told_apart_by_nobody() {
    let world = World::empty();
    let folder = world.record("first", &[]);
    let copy = world.root().join("car=other").join("date=2026-11-26").join("first");
    std::fs::create_dir_all(&copy).unwrap();
    for name in ["session.json", "samples.parquet", "events.parquet"] {
        std::fs::copy(folder.join(name), copy.join(name)).unwrap();
    }
    let problem = world.get("/v1/sessions/first").await.problem(409);
    for folder in ["car=bench-car", "car=other"] {
        assert!(problem["seen"].as_str().unwrap().contains(folder), "{problem}");
    }
}

#[tokio::test]
async fn events_out_of_order_are_told_not_streamed() {
    for numbers in [[1, 3, 2], [1, 1, 2]] {
        let world = World::empty();
        world.record("first", &remarks("first", numbers));
        let problem = world.get("/v1/sessions/first/events").await.problem(500);
        assert_eq!(problem["kind"], "record");
        assert_eq!(world.get("/v1/sessions/first").await.status, 200);
    }
}

#[tokio::test]
async fn an_archive_that_went_away_is_told() {
    let world = World::new();
    let router = world.router(holdgate_service::Limits::default());
    std::fs::remove_dir_all(world.root()).unwrap();
    let host = [("host", crate::world::HOST)];
    for path in ["/v1/sessions", "/v1/sessions/first", "/v1/sessions/first/events"] {
        let response = crate::world::send(&router, "GET", path, &host).await;
        crate::world::collect(response).await.problem(500);
    }
}
