//! The page's server over real TCP: who may ask, what comes back, what wrong questions get.

use ohmward::serve::{self, Options, ServeError, Token};
use ohmward::store::{Entry, Store};
use ohmward_tests::served::{SOUND, Served, TRIP, TRIPPED, make_store, now_us, reading, served};
use ohmward_tests::{data, ohmward};
use std::io::{BufRead, BufReader, Read};
use std::net::TcpListener;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

const TOKEN: &str = "an-invented-token+1";

#[test]
fn every_route_that_is_listed_answers_and_is_guarded() {
    let (_folder, served) = served(1);
    let list = served.get("/api").json();
    let routes = list["routes"].as_array().unwrap();
    assert!(routes.len() >= 11, "{list}");
    for route in routes {
        let path = route["path"].as_str().unwrap();
        let path = path
            .replace("{board}", &TRIPPED.to_string())
            .replace("{event}", &TRIP.to_string());
        if path == "/api/live" {
            let messages = served.messages(&path, 1);
            assert_eq!(messages[0]["boards"].as_array().unwrap().len(), 2);
        } else {
            let answer = served.get(&path);
            assert!(
                answer.status == 200 || (path.ends_with("/trend") && answer.status == 202),
                "{path}: {answer:?}"
            );
            assert!(!answer.body.is_empty(), "{path}");
        }
        // Of what takes nothing and of what takes something alike: a name that is not known is told.
        let wrong = served.get(&format!("{path}?nonsense=1"));
        assert_eq!(wrong.status, 400, "{path}");
        let told = wrong.json();
        assert!(
            told["error"].as_str().unwrap().contains("'nonsense'"),
            "{told}"
        );
        for (name, _) in route["takes"].as_object().unwrap() {
            assert!(
                told["error"].as_str().unwrap().contains(name.as_str()),
                "{path}: {told}"
            );
        }
        let post = served.ask("POST", &path, &[]);
        assert_eq!(post.status, 405, "{path}");
        assert_eq!(post.header("allow"), Some("GET, HEAD"));
    }
    let page = served.ask("GET", "/api", &[("Accept", "text/html,*/*")]);
    assert!(page.text().contains("/api/boards/{board}/readings"));
    assert_eq!(served.ask("HEAD", "/", &[]).status, 200);
    assert_eq!(served.get("/nowhere").status, 404);
}

#[test]
fn the_page_is_all_there_and_says_that_nothing_else_may_be_loaded() {
    let (_folder, served) = served(1);
    let mut wanted = vec!["/".to_owned()];
    let mut seen = 0;
    let mut weight = 0;
    while let Some(path) = wanted.get(seen).cloned() {
        seen += 1;
        let answer = served.get(&path);
        assert_eq!(answer.status, 200, "{path}");
        weight += answer.body.len();
        let policy = answer.header("content-security-policy").unwrap();
        assert!(policy.contains("default-src 'self'"), "{policy}");
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(answer.header("referrer-policy"), Some("no-referrer"));
        let tag = answer.header("etag").unwrap().to_owned();
        let again = served.ask("GET", &path, &[("If-None-Match", &tag)]);
        assert_eq!((again.status, again.body.len()), (304, 0), "{path}");
        let text = answer.text();
        if path == "/" {
            // Every script has a file: an inline one would be refused by the policy.
            assert!(
                !text.contains("<script>") && !text.contains(" style="),
                "{text}"
            );
        }
        if path.starts_with("/vendor/") {
            continue;
        }
        for quoted in ["href=\"", "src=\"", "from \""] {
            for rest in text.split(quoted).skip(1) {
                let link = rest.split('"').next().unwrap();
                assert!(!link.contains("//"), "{path} leads elsewhere: {link}");
                let link = link.replace("./", "/");
                if link.contains('.') && !wanted.contains(&link) {
                    wanted.push(link);
                }
            }
        }
    }
    assert!(seen >= 14, "{wanted:?}");
    assert!(weight < 150_000, "{weight} bytes");
}

#[test]
fn a_host_of_another_name_is_refused() {
    let (_folder, served) = served(1);
    for host in ["example.org", "localhost.example.org:80"] {
        let answer = served.ask("GET", "/api/boards", &[("Host", host)]);
        assert_eq!(answer.status, 421, "{host}");
        assert!(answer.json()["error"].as_str().unwrap().contains("Host"));
    }
    let named = served.ask("GET", "/api/boards", &[("Host", "localhost:9")]);
    assert_eq!(named.status, 200);
}

#[test]
fn a_token_opens_and_only_the_token() {
    let folder = tempfile::tempdir().unwrap();
    drop(make_store(folder.path(), 1, 60));
    let served = Served::start(
        folder.path().to_owned(),
        Some(TOKEN.parse::<Token>().unwrap()),
    );
    assert_eq!(served.get("/api/boards").status, 401);
    assert_eq!(served.get("/metrics").status, 401);
    assert_eq!(served.get("/api/live").status, 401);
    let page = served.get("/");
    assert_eq!(page.status, 401);
    assert!(page.text().contains("<form"));
    for wrong in [
        "",
        "an-invented-token+2",
        "an-invented-token+",
        "an-invented-token+11",
    ] {
        let header = format!("Bearer {wrong}");
        let answer = served.ask("GET", "/api/boards", &[("Authorization", &header)]);
        assert_eq!(answer.status, 401, "{wrong}");
        assert_eq!(served.get(&format!("/?token={wrong}")).status, 401);
    }
    let bearer = format!("Bearer {TOKEN}");
    let answer = served.ask("GET", "/api/boards", &[("Authorization", &bearer)]);
    assert_eq!(answer.status, 200);

    let exchanged = served.get("/api/boards?token=an-invented-token%2B1");
    assert_eq!(exchanged.status, 303);
    assert_eq!(exchanged.header("location"), Some("/api/boards"));
    let cookie = exchanged.header("set-cookie").unwrap();
    assert!(
        cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"),
        "{cookie}"
    );
    assert!(!cookie.contains(TOKEN), "{cookie}");
    let pair = cookie.split(';').next().unwrap();
    assert_eq!(
        served.ask("GET", "/api/boards", &[("Cookie", pair)]).status,
        200
    );
    let forged = format!("{}0", &pair[..pair.len() - 1]);
    let forged = if forged == pair {
        format!("{pair}0")
    } else {
        forged
    };
    assert_eq!(
        served
            .ask("GET", "/api/boards", &[("Cookie", &forged)])
            .status,
        401
    );
    // The way back stays on this machine.
    let away = served.get("//example.org/?token=an-invented-token%2B1");
    assert_eq!(away.header("location"), Some("/example.org/"));
}

#[test]
fn others_are_let_in_with_a_token_only_and_a_taken_port_is_told() {
    let folder = tempfile::tempdir().unwrap();
    drop(make_store(folder.path(), 1, 600));
    let run = |listen: &str| {
        let options = Options {
            store: folder.path().to_owned(),
            listen: listen.parse().unwrap(),
            token: None,
        };
        serve::run(&options, &Arc::new(AtomicBool::new(true)), |_| {})
    };
    let open = run("0.0.0.0:0").unwrap_err();
    assert!(matches!(open, ServeError::Open(_)));
    assert!(open.to_string().contains("--token"), "{open}");
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let fault = run(&taken.local_addr().unwrap().to_string()).unwrap_err();
    assert!(matches!(fault, ServeError::Taken(_)), "{fault}");
    assert!(!fault.to_string().contains('\n'));
}

#[test]
fn wrong_questions_get_one_line_that_helps() {
    let (_folder, served) = served(1);
    let of = format!("/api/boards/{TRIPPED}");
    for (path, status, says) in [
        ("/api/boards/xyz".to_owned(), 400, "hex digits"),
        ("/api/boards/ff".to_owned(), 404, "000000000000000a"),
        ("/api/boards/%FF".to_owned(), 400, "UTF-8"),
        (
            format!("{of}/readings?from=yesterday"),
            400,
            "2026-05-03T14:20:00Z",
        ),
        (format!("{of}/readings?from=5&to=5"), 400, "exchange"),
        (format!("{of}/readings?points=0"), 400, "1 to 5000"),
        (format!("{of}/readings?points=1e9"), 400, "1 to 5000"),
        (format!("{of}/readings?points=5&points=6"), 400, "twice"),
        (format!("{of}/events?kind=explosion"), 400, "tripped"),
        (format!("{of}/events?limit=-1"), 400, "1 to 5000"),
        (format!("{of}/events/7"), 400, "BOOT.SEQ"),
        (format!("{of}/events/9.9"), 404, "lists them"),
        (format!("{of}/events/9.9/waveform"), 404, "lists them"),
        (format!("{of}/events/1.0/waveform"), 404, "1.0"),
    ] {
        let answer = served.get(&path);
        assert_eq!(answer.status, status, "{path}: {}", answer.text());
        let told = answer.json();
        let told = told["error"].as_str().unwrap();
        assert!(
            told.contains(says) && !told.contains('\n'),
            "{path}: {told}"
        );
    }
}

#[test]
fn live_messages_tell_changes_and_a_store_that_went_away() {
    let (folder, served) = served(1);
    let path = format!("/api/live?board={SOUND}");
    let mut recorder = Store::open_or_create(folder.path()).unwrap();
    let writer = std::thread::spawn(move || {
        let begun = Instant::now();
        let mut k = 0;
        while begun.elapsed() < Duration::from_secs(4) {
            k += 1;
            let row = Entry::Reading {
                board: SOUND,
                boot: 1,
                t_us: now_us(),
                reading: reading(86_400 + k),
            };
            recorder.write(&[row]).unwrap();
            std::thread::sleep(Duration::from_millis(300));
        }
        recorder
    });
    let messages = served.messages(&path, 4);
    assert_eq!(messages[0]["whole"], true);
    assert_eq!(messages[0]["boards"].as_array().unwrap().len(), 2);
    assert!(messages.iter().any(|message| message["recording"] == true));
    let times: Vec<i64> = messages
        .iter()
        .map(|message| message["board"]["t_us"].as_i64().unwrap())
        .collect();
    assert!(
        times.windows(2).filter(|pair| pair[0] < pair[1]).count() >= 2,
        "{times:?}"
    );
    for message in &messages[1..] {
        assert_eq!(message["whole"], false);
        assert!(message["boards"].as_array().unwrap().len() < 2, "{message}");
    }
    drop(writer.join().unwrap());
    assert_eq!(served.get("/api/health").status, 200);

    // The folder goes away: told, not covered up; nothing ends.
    let elsewhere = folder.path().with_extension("away");
    std::fs::rename(folder.path(), &elsewhere).unwrap();
    let until = Instant::now() + Duration::from_secs(20);
    let health = loop {
        let health = served.get("/api/health");
        if health.status == 503 || Instant::now() > until {
            break health;
        }
        std::thread::sleep(Duration::from_millis(200));
    };
    assert_eq!(health.status, 503);
    let message = served.messages(&path, 1).remove(0);
    assert!(
        message["error"]
            .as_str()
            .is_some_and(|error| !error.is_empty()),
        "{message}"
    );
    assert_eq!(message["recording"], false);
    std::fs::rename(&elsewhere, folder.path()).unwrap();
}

#[test]
fn live_pages_are_bounded_and_free_again() {
    let (_folder, served) = served(1);
    let mut open: Vec<_> = (0..serve::LIVE_MOST)
        .map(|_| served.send("GET", "/api/live", &[]))
        .collect();
    let status = |reader: &mut BufReader<std::net::TcpStream>| {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        line.split(' ').nth(1).unwrap().parse::<u16>().unwrap()
    };
    assert!(open.iter_mut().all(|reader| status(reader) == 200));
    let refused = served.get("/api/live");
    assert_eq!(refused.status, 503);
    assert!(refused.header("retry-after").is_some());
    drop(open);
    // A page that went away is noticed at the next message.
    let until = Instant::now() + Duration::from_secs(10);
    while status(&mut served.send("GET", "/api/live", &[])) != 200 {
        assert!(Instant::now() < until, "no place becomes free");
        std::thread::sleep(Duration::from_millis(200));
    }
    // And an open one does not hold up the end.
    let held = served.send("GET", "/api/live", &[]);
    let took = served.end();
    assert!(took < Duration::from_secs(3), "{took:?}");
    drop(held);
}

/// The program itself: prints where, refuses what it must, ends on a signal.
#[test]
fn the_command_serves_and_ends() {
    let folder = tempfile::tempdir().unwrap();
    drop(make_store(folder.path(), 1, 600));
    let refused = |args: &[&str]| {
        let output = ohmward()
            .args(["serve", "--store"])
            .arg(folder.path())
            .args(args)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{output:?}");
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let said = refused(&["--listen", "0.0.0.0:0"]);
    assert!(
        said.contains("--token-file") && said.trim().lines().count() == 1,
        "{said}"
    );
    assert!(refused(&["--token", "short"]).contains("at least 16"));
    assert!(
        refused(&["--token-file", data("one-day.toml").to_str().unwrap()]).contains("one-day.toml")
    );
    let mut child = ohmward()
        .args(["serve", "--listen", "127.0.0.1:0", "--store"])
        .arg(folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut line = String::new();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    out.read_line(&mut line).unwrap();
    assert!(line.starts_with("http://127.0.0.1:"), "{line}");
    let ended = Command::new("kill").arg(child.id().to_string()).status();
    assert!(ended.unwrap().success());
    let begun = Instant::now();
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert!(begun.elapsed() < Duration::from_secs(5));
    let mut rest = String::new();
    out.read_to_string(&mut rest).unwrap();
    assert_eq!(rest, "");
}
