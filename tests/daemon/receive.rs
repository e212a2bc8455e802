//! Images sent over the network by DCMTK's storescu, received by the shipped script, measured by the daemon.

use super::service::{Running, Service, tiny, write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

struct Receiver(Child);

impl Drop for Receiver {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn have(program: &str) -> bool {
    Command::new(program).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok()
}

#[test]
fn a_study_sent_with_storescu_becomes_one_result_with_dcmtk() {
    if !(have("storescp") && have("storescu")) {
        println!("SKIPPED: DCMTK is not installed");
        return;
    }
    // The receiver writes while the service settles: a receiver's pauses need the longer quiet time.
    let service = Service::with("settle: {scan_s: 0.1, quiet_s: 1, incomplete_s: 3}\n");
    let (study, drop) = (service.path("study"), service.path("drop"));
    write(&tiny(1), &study);
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port().to_string();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/siderolog-receive");
    let _receiver = Receiver(Command::new(&script).arg(&drop).args(["SIDEROLOG", &port]).spawn().unwrap());
    let _running: Running = service.start();
    let mut sent = false;
    for _ in 0..50 {
        std::thread::sleep(Duration::from_millis(100));
        let mut command = Command::new("storescu");
        command.args(["-aec", "SIDEROLOG", "+sd", "+r", "127.0.0.1", &port]).arg(&study);
        sent = command.stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap().success();
        if sent {
            break;
        }
    }
    assert!(sent, "storescu could not send");
    service.wait_for(1, Duration::from_secs(30));
    let [result] = &service.results()[..] else { panic!("not one result") };
    assert_eq!((&result["input"]["instances"], &result["input"]["patient"]["id"]), (&4.into(), &"P-1".into()));
    let folders: Vec<String> = service.names("drop").into_iter().filter(|name| !name.ends_with(".txt")).collect();
    assert!(folders.len() == 1 && folders[0].starts_with("received_"), "{folders:?}");
    // Nothing the sender wrote into a header is in a name.
    assert!(!format!("{:?}", service.names(&format!("drop/{}", folders[0]))).contains("Invented"));
    // Wrong arguments are refused before anything listens.
    for bad in
        [["/nowhere", "SIDEROLOG", "1"], [drop.to_str().unwrap(), "x y", "1"], [drop.to_str().unwrap(), "X", "a"]]
    {
        let status = Command::new(&script).args(bad).stderr(Stdio::null()).status().unwrap();
        assert_eq!(status.code(), Some(2));
    }
}
