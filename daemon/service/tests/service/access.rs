//! Who is let in, and what every answer forbids a browser.

use holdgate_service::{Limits, ServiceState};
use model::ProblemKind;

use crate::world::{HOST, World};

const ROUTES: [&str; 6] = [
    "/",
    "/v1/openapi.json",
    "/v1/sessions",
    "/v1/sessions/first",
    "/v1/sessions/first/events",
    "/v1/nowhere",
];

#[tokio::test]
async fn a_request_must_be_addressed_to_this_service() {
    let world = World::new();
    for path in ROUTES {
        for host in [
            "evil.example:8427",
            "127.0.0.1",
            "127.0.0.1:8428",
            "127.0.0.1.evil.example:8427",
            "localhost:8427@evil.example",
            "192.0.2.1:8427",
            "0.0.0.0:8427",
            "",
        ] {
            let problem = world.ask("GET", path, &[("host", host)]).await.problem(421);
            assert_eq!(problem["place"]["name"], "Host");
            assert!(problem["cure"].as_str().unwrap().contains(HOST), "{problem}");
        }
        // RFC 9112, 3.2 (from memory): no Host, or two of them, is answered with 400.
        world.ask("GET", path, &[]).await.problem(400);
        world.ask("GET", path, &[("host", HOST), ("host", HOST)]).await.problem(400);
        world.ask("GET", path, &[("host", HOST), ("host", "evil.example")]).await.problem(400);
    }
    for host in [HOST, "localhost:8427", "LOCALHOST:8427", "[::1]:8427", "127.0.0.2:8427"] {
        assert_eq!(world.ask("GET", "/v1/sessions", &[("host", host)]).await.status, 200, "{host}");
    }
}

#[tokio::test]
async fn a_target_in_absolute_form_must_name_this_service_too() {
    let world = World::new();
    for (target, status) in [
        ("http://evil.example:8427/v1/sessions", 421),
        ("http://evil.example/v1/sessions", 421),
        ("http://me@127.0.0.1:8427/v1/sessions", 421),
        ("https://127.0.0.1:8427/v1/sessions", 421),
    ] {
        world.ask("GET", target, &[("host", HOST)]).await.problem(status);
    }
    let own = world.ask("GET", "http://127.0.0.1:8427/v1/sessions", &[("host", HOST)]).await;
    assert_eq!(own.status, 200);
}

#[tokio::test]
async fn a_foreign_origin_is_refused_everywhere() {
    let world = World::new();
    for path in ROUTES {
        for origin in [
            "null",
            "",
            "http://evil.example",
            "http://evil.example:8427",
            "http://127.0.0.1",
            "http://127.0.0.1:8428",
            "http://127.0.0.1:84270",
            "http://127.0.0.1:8427/",
            "http://127.0.0.1:8427.evil.example",
            "http://127.0.0.1:8427 http://evil.example",
            "https://127.0.0.1:8427",
            "HTTP://127.0.0.1:8427",
            "http://localhost:8427",
            "http://[::1]:8427",
        ] {
            for method in ["GET", "OPTIONS"] {
                let asked = [("host", HOST), ("origin", origin), ("accept", "text/event-stream")];
                let answer = world.ask(method, path, &asked).await;
                assert_eq!(answer.problem(403)["place"]["name"], "Origin", "{path} {origin}");
            }
        }
        let own = format!("http://{HOST}");
        let twice = [("host", HOST), ("origin", own.as_str()), ("origin", own.as_str())];
        world.ask("GET", path, &twice).await.problem(400);
    }
    for (host, origin) in [
        (HOST, "http://127.0.0.1:8427"),
        ("localhost:8427", "http://localhost:8427"),
        ("[::1]:8427", "http://[::1]:8427"),
    ] {
        let asked = [("host", host), ("origin", origin)];
        assert_eq!(world.ask("GET", "/v1/sessions/first/events", &asked).await.status, 200, "{origin}");
    }
}

#[tokio::test]
async fn every_answer_forbids_a_browser_to_misuse_it() {
    let world = World::new();
    let own = format!("http://{HOST}");
    for path in ROUTES {
        for headers in [
            vec![("host", HOST)],
            vec![("host", HOST), ("origin", own.as_str())],
            vec![("host", "evil.example")],
            vec![("host", HOST), ("origin", "http://evil.example")],
        ] {
            let answer = world.ask("GET", path, &headers).await;
            assert_eq!(answer.header("x-content-type-options"), "nosniff");
            let policy = answer.header("content-security-policy");
            assert!(policy.starts_with("default-src 'none';") && policy.contains("frame-ancestors 'none'"));
            assert_eq!(answer.header("cross-origin-resource-policy"), "same-origin");
            assert_eq!(answer.header("cache-control"), "no-store");
            let opened = answer.headers.keys().find(|name| name.as_str().starts_with("access-control-"));
            assert_eq!(opened, None, "{path}");
        }
    }
}

#[tokio::test]
async fn only_loopback_addresses_are_served() {
    let world = World::new();
    for address in ["0.0.0.0:0", "[::]:0", "192.0.2.1:0", "[2001:db8::1]:0", "[::ffff:127.0.0.1]:0"] {
        let address = address.parse().unwrap();
        for problem in [
            holdgate_service::listen(address).await.unwrap_err(),
            ServiceState::new(world.archive(), address, Limits::default()).unwrap_err(),
        ] {
            assert_eq!(problem.kind, ProblemKind::Argument);
            assert!(problem.cure.contains("127.0.0.1"), "{problem}");
        }
    }
}
