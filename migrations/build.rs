//! Makes cargo notice a new or changed migration.
fn main() {
    println!("cargo:rerun-if-changed=.");
}
