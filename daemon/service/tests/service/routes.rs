//! Every route, and what is none.

use holdgate_service::{SessionDetail, SessionList};
use model::Ending;

use crate::world::{HOST, World};

#[tokio::test]
async fn the_page_names_only_addresses_that_answer() {
    let world = World::new();
    let page = world.get("/").await;
    assert_eq!((page.status.as_u16(), page.header("content-type")), (200, "text/html; charset=utf-8"));
    let links: Vec<&str> =
        page.text().split("href=\"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
    assert!(links.len() >= 2, "{links:?}");
    for link in links {
        assert_eq!(world.get(link).await.status.as_u16(), 200, "{link}");
    }
}

#[tokio::test]
async fn the_list_tells_every_session_in_short() {
    let list: SessionList = serde_json::from_value(World::new().get("/v1/sessions").await.json()).unwrap();
    assert_eq!(list.problems, []);
    let ids: Vec<&str> = list.sessions.iter().map(|s| s.id.as_str()).collect();
    assert_eq!(ids, ["first", "second"]);
    let first = &list.sessions[0];
    assert_eq!((first.samples, first.events), (3, 7));
    assert_eq!((list.sessions[1].samples, list.sessions[1].events), (3, 0));
    assert_eq!((first.car.as_str(), first.procedure.as_deref()), ("bench-car", Some("idle-set-up")));
    assert_eq!((first.ending, first.recovered), (Some(Ending::Undecided), false));
    assert_eq!(first.started, "2026-11-25T08:00:00Z");
    assert_eq!(first.tags["fuel"], "e10 \u{2028} \"x\"");
}

#[tokio::test]
async fn an_empty_archive_is_an_empty_list() {
    let answer = World::empty().get("/v1/sessions").await.json();
    assert_eq!(answer["sessions"], serde_json::json!([]));
}

#[tokio::test]
async fn a_session_is_told_in_full() {
    let world = World::new();
    let detail: SessionDetail = serde_json::from_value(world.get("/v1/sessions/first").await.json()).unwrap();
    assert_eq!(detail.summary.id.as_str(), "first");
    assert_eq!((detail.summary.events, detail.last_event), (7, Some(7)));
    assert_eq!((detail.first.unwrap().0, detail.last.unwrap().0), (0, 7_000));
    assert_eq!(detail.channels[0].unit.code(), "{rev}/min");
    assert_eq!(detail.description_sha256, "d1");
    assert!(detail.folder.starts_with(world.root().to_str().unwrap()), "{}", detail.folder);
}

#[tokio::test]
async fn a_session_that_still_runs_is_not_served() {
    let world = World::new();
    let other = World::empty();
    // The head of a recorded session, begun anew in another archive and left open.
    let head = record::read_session(&world.archive().sessions().unwrap()[0]).unwrap().card.head;
    let archive = other.archive();
    let _writer = archive.begin(head).unwrap();
    assert_eq!(other.get("/v1/sessions").await.json()["sessions"], serde_json::json!([]));
    let problem = other.get("/v1/sessions/first").await.problem(404);
    assert!(problem["cure"].as_str().unwrap().contains("ended"), "{problem}");
}

#[tokio::test]
async fn no_path_leaves_the_archive() {
    let world = World::new();
    let long = format!("/v1/sessions/{}", "x".repeat(65));
    for (path, status) in [
        ("/v1/sessions/absent", 404),
        ("/v1/sessions/absent/events", 404),
        ("/v1/sessions/", 404),
        ("/v1/sessions//events", 400),
        ("/v1/sessions/first/", 404),
        ("/v1/sessions/first/samples", 404),
        ("/v1/sessions/..", 400),
        ("/v1/sessions/../events", 400),
        ("/v1/sessions/../sessions/first", 404),
        ("/v1/sessions/.open", 400),
        ("/v1/sessions/%2e%2e", 400),
        ("/v1/sessions/%2E%2E/events", 400),
        ("/v1/sessions/..%2f..%2fetc%2fpasswd", 400),
        ("/v1/sessions/..%5c..", 400),
        ("/v1/sessions/%2fetc%2fpasswd/events", 400),
        ("/v1/sessions/car=bench-car%2Fdate=2026-11-25%2Ffirst", 400),
        ("/v1/sessions/first%00", 400),
        ("/v1/sessions/first%0a", 400),
        ("/v1/sessions/First", 400),
        ("/v1/sessions/%66irst%20", 400),
        ("/v1/sessions/%ff", 400),
        ("/v1/sessions/%252e%252e", 400),
        (long.as_str(), 400),
        ("/../etc/passwd", 404),
        ("/v1", 404),
        ("//v1/sessions", 404),
    ] {
        let problem = world.get(path).await.problem(status);
        assert!(!problem.to_string().contains("root:"), "{path}: {problem}");
    }
}

#[tokio::test]
async fn nothing_but_reading_is_served() {
    let world = World::new();
    for path in ["/", "/v1/sessions", "/v1/sessions/first", "/v1/sessions/first/events"] {
        for method in ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "BREW"] {
            let answer = world.ask(method, path, &[("host", HOST)]).await;
            answer.problem(405);
            // A 405 must name what is allowed (RFC 9110, 15.5.6, from memory).
            assert_eq!(answer.header("allow"), "GET,HEAD", "{method} {path}");
        }
        let head = world.ask("HEAD", path, &[("host", HOST)]).await;
        assert_eq!((head.status.as_u16(), head.body.len()), (200, 0), "{path}");
    }
    assert_eq!(world.archive().sessions().unwrap().len(), 2);
}
