//! Programs that tests start.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

/// A child that does not outlive its test.
#[derive(Debug)]
pub struct Running(pub Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts a `simulate` and gives it with the place that it prints as its first line.
pub fn served(simulate: &mut Command) -> (Running, String) {
    let mut child = simulate
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("starts");
    let mut place = String::new();
    BufReader::new(child.stdout.take().expect("piped"))
        .read_line(&mut place)
        .expect("prints its place");
    (Running(child), place.trim().to_owned())
}
