//! The page on this machine: what it reads, where it writes, and whom it answers.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};

use serde_json::Value;

use crate::support::{Garage, csv, plain};

struct Server {
    garage: Garage,
    child: Child,
    /// `127.0.0.1:PORT`
    host: String,
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

struct Answer {
    status: u16,
    head: String,
    body: String,
}

impl Server {
    fn start(garage: Garage, more: &[&str]) -> Server {
        let mut command = garage.command(&["serve"]);
        let mut child = command.args(more).stdout(Stdio::piped()).spawn().expect("it starts");
        let out = child.stdout.take().expect("its output");
        let first = BufReader::new(out).lines().next().expect("a line").expect("text");
        let (_, host) = first.split_once("http://").expect("an address");
        let host = host.trim_end_matches('/').to_owned();
        assert!(host.starts_with("127.0.0.1:"), "{first}");
        Server { garage, child, host }
    }

    /// Headers as they are, so that no client puts them right.
    fn ask(&self, request: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(&self.host).expect("it listens");
        let mut head = format!("{request} HTTP/1.1\r\nConnection: close\r\n");
        if !headers.iter().any(|(name, _)| *name == "Host") {
            head.push_str(&format!("Host: {}\r\n", self.host));
        }
        for (name, value) in headers {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        if !headers.iter().any(|(name, _)| *name == "Content-Length") {
            head.push_str(&format!("Content-Length: {}\r\n", body.len()));
        }
        stream.write_all(head.as_bytes()).expect("sent");
        stream.write_all(b"\r\n").expect("sent");
        stream.write_all(body).expect("sent");
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).expect("an answer");
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n").expect("a head");
        let status = head.split(' ').nth(1).expect("a status").parse().expect("a number");
        Answer { status, head: head.to_lowercase(), body: body.to_owned() }
    }

    fn get(&self, path: &str) -> Answer {
        self.ask(&format!("GET {path}"), &[], b"")
    }

    fn hand(&self, query: &str, log: &str) -> (u16, Value) {
        let answer = self.ask(&format!("POST /logs?{query}"), &[], log.as_bytes());
        (answer.status, serde_json::from_str(&answer.body).expect("JSON"))
    }
}

#[test]
fn a_dropped_log_becomes_the_report_that_the_terminal_makes() {
    let server = Server::start(Garage::new(), &[]);
    let page = server.get("/");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("Drop a log here") && page.body.contains("connect-src 'self'"));
    assert!(page.head.contains("x-content-type-options: nosniff"), "{}", page.head);
    let (status, told) = server.hand("name=hot%20idle.csv", &plain());
    assert_eq!((status, told["folder"].as_str()), (200, Some("hot_idle")), "{told}");
    let report = server
        .get(&format!("/{}", told["report"].as_str().expect("a way").trim_start_matches("./")));
    assert_eq!(report.status, 200);
    server.garage.put("hot idle.csv", plain());
    server.garage.run(&["hot idle.csv", "--out", "other"]).ends(0);
    let served = server.garage.text("stiffbus-report/hot_idle/report.html");
    assert_eq!(served, server.garage.text("other/report.html"));
    assert!(report.body.contains("</html>"));
    assert!(server.get("/").body.contains("hot_idle"));
    // The same log again is the same report, another of that name a second one.
    assert_eq!(server.hand("name=hot%20idle.csv", &plain()).1["folder"], "hot_idle");
    let other = format!("# another\n{}", plain());
    assert_eq!(server.hand("name=hot%20idle.csv", &other).1["folder"], "hot_idle-2");
}

#[test]
fn what_only_a_person_can_say_is_asked() {
    let server = Server::start(Garage::new(), &[]);
    let text = csv("time (s),aux 1,aux 2,aux 3,aux 4", |r| {
        format!("{:.1},{:.2},{:.2},{:.0},{}", r.t, r.v - 0.3, r.v, r.rpm, u8::from(r.fan))
    });
    let (status, told) = server.hand("name=log.csv", &text);
    assert_eq!(status, 422, "{told}");
    let columns = told["columns"].as_array().expect("columns");
    let names: Vec<&str> = columns.iter().filter_map(|c| c["name"].as_str()).collect();
    assert_eq!(names, ["time (s)", "aux 1", "aux 2", "aux 3", "aux 4"]);
    assert_eq!(columns[2]["cells"][0], "12.60");
    assert!(server.garage.names().is_empty(), "nothing is written for it");
    let answers = "name=log.csv&column=voltage%3D%233&column=engine_rpm%3D%234&column=load%3D%235&column=ignored%3D%232";
    let (status, told) = server.hand(answers, &text);
    assert_eq!(status, 200, "{told}");
    let untimed: String =
        text.lines().map(|l| l.split_once(',').expect("cells").1.to_owned() + "\n").collect();
    let shifted =
        "column=voltage%3D%232&column=engine_rpm%3D%233&column=load%3D%234&column=ignored%3D%231";
    assert_eq!(server.hand(&format!("name=untimed.csv&{shifted}"), &untimed).0, 422);
    assert_eq!(server.hand(&format!("name=untimed.csv&{shifted}&rate=10"), &untimed).0, 200);
    // What is no log asks for nothing.
    let (status, told) = server.hand("name=log.csv", "dear diary\n");
    assert_eq!((status, &told["columns"]), (422, &serde_json::json!([])));
    for wrong in ["column=volts%3D%232", "column=voltage", "rate=-1", "rate=fast"] {
        assert_eq!(server.hand(wrong, &text).0, 422, "{wrong}");
    }
}

#[test]
fn nobody_else_is_answered() {
    let server = Server::start(Garage::new(), &[]);
    let log = plain();
    let port = server.host.rsplit(':').next().expect("a port");
    let status = |headers: &[(&str, &str)]| {
        server.ask("POST /logs?name=a.csv", headers, log.as_bytes()).status
    };
    assert_eq!(status(&[("Host", "elsewhere.example")]), 403);
    assert_eq!(status(&[("Host", "127.0.0.1")]), 403);
    assert_eq!(status(&[("Host", "127.0.0.1.elsewhere.example:80")]), 403);
    assert_eq!(status(&[("Origin", "http://elsewhere.example")]), 403);
    assert_eq!(status(&[("Origin", "null")]), 403);
    assert_eq!(status(&[("Origin", &format!("https://{}", server.host))]), 403);
    assert!(server.garage.names().is_empty());
    assert_eq!(status(&[("Host", &format!("localhost:{port}"))]), 200);
    assert_eq!(status(&[("Origin", &format!("http://{}", server.host))]), 200);
    // Not a page of another site's reads an answer: none says that it may.
    assert!(!server.get("/").head.contains("access-control"));
}

#[test]
fn more_than_is_sane_is_refused_before_it_is_sent() {
    let server = Server::start(Garage::new(), &[]);
    let longer = (1u64 << 40).to_string();
    let answer = server.ask("POST /logs?name=a.csv", &[("Content-Length", &longer)], b"");
    assert_eq!(answer.status, 413);
    assert!(answer.body.contains("MiB"), "{}", answer.body);
    assert_eq!(server.hand("name=a.csv", &plain()).0, 200, "it goes on");
}

#[test]
fn no_name_leads_out_of_the_folder() {
    let garage = Garage::new();
    garage.put("day/secret.csv", "mine");
    garage.put("day/stiffbus-report/notes/diagnosis.json", "mine");
    let server = Server::start(garage, &["day"]);
    for name in [
        "..%2F..%2Fup.csv",
        "%2Fetc%2Fup",
        "..",
        "a%00b.csv",
        "%1B%5B31mred.csv",
        "C%3A%5Cup.csv",
        "",
    ] {
        let (status, told) = server.hand(&format!("name={name}"), &plain());
        assert_eq!(status, 200, "{name}: {told}");
    }
    for name in server.garage.names() {
        assert!(
            name == "day" || name == "day/secret.csv" || name.starts_with("day/stiffbus-report"),
            "{name}"
        );
        assert!(!name.contains(['\0', '\u{1b}']), "{name:?}");
    }
    for path in [
        "/reports/../secret.csv",
        "/reports/..%2F/secret.csv",
        "/reports/%2e%2e/secret.csv",
        "/reports/up/..%2F..%2Fsecret.csv",
        "/reports/up/trace.svg%00",
        "/reports/up/notes.txt",
        "/secret.csv",
        "/reports/up",
    ] {
        let answer = server.get(path);
        assert!(answer.status == 404 || answer.status == 400, "{path}: {}", answer.status);
        assert!(!answer.body.contains("mine"), "{path}");
    }
    #[cfg(unix)]
    {
        let link = server.garage.path().join("day/stiffbus-report/up/heat.svg");
        std::os::unix::fs::symlink(server.garage.path().join("day/secret.csv"), link)
            .expect("a link");
        assert_eq!(server.get("/reports/up/heat.svg").status, 404);
    }
    // A folder whose marker is no diagnosis is not listed.
    assert!(!server.get("/").body.contains("reports/notes/"));
}

#[test]
fn the_cars_facts_count() {
    let garage = Garage::new();
    garage.put("car.toml", "setpoint_v = 15.0\n");
    let server = Server::start(garage, &[]);
    server.hand("name=a.csv", &plain());
    let told: Value = serde_json::from_str(&server.garage.text("stiffbus-report/a/diagnosis.json"))
        .expect("JSON");
    assert_eq!(told["setpoint_v"]["value"], 15.0);
    server.garage.put("car.toml", "setpoint_w = 15.0\n");
    let (status, told) = server.hand("name=b.csv", &plain());
    assert_eq!(status, 422);
    assert!(told["reason"].as_str().expect("a reason").contains("setpoint_w"), "{told}");
    server.garage.run(&["serve"]).ends(1).complains(&["setpoint_w"]);
    server.garage.run(&["serve", "nowhere"]).ends(1).complains(&["nowhere: not a folder"]);
    let port = server.host.rsplit(':').next().expect("a port").to_owned();
    std::fs::remove_file(server.garage.path().join("car.toml")).expect("it was there");
    server.garage.run(&["serve", "--port", &port]).ends(1).complains(&["cannot be opened"]);
}

#[test]
fn reports_speak_in_the_units_asked_for() {
    let server = Server::start(Garage::new(), &["--units", "imperial"]);
    server.hand("name=a.csv", &plain());
    server.garage.put("a.csv", plain());
    server.garage.run(&["a.csv", "--units", "imperial", "--out", "other"]).ends(0);
    let served = server.garage.text("stiffbus-report/a/report.html");
    assert!(served.contains("flooded, 77 °F"));
    assert_eq!(served, server.garage.text("other/report.html"));
}

#[cfg(unix)]
#[test]
fn ctrl_c_ends_it() {
    let mut server = Server::start(Garage::new(), &[]);
    let id = server.child.id().to_string();
    std::process::Command::new("kill").args(["-INT", &id]).status().expect("kill runs");
    assert!(server.child.wait().expect("it ends").success());
}
