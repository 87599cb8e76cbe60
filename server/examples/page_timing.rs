//! How long the server takes to draw the board: `cargo run --release -p server --example page_timing`.

fn main() {
    for regulators in [200, 2_000, 5_000] {
        let (mut times, size) = server::bench::board(regulators, 21);
        times.sort();
        println!(
            "board of {regulators}: median {:?}, slowest {:?}, {} KiB",
            times[10],
            times[20],
            size / 1024
        );
    }
}
