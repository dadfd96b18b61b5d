//! Embedded migrations must be embedded anew when they change.

fn main() {
    println!("cargo:rerun-if-changed=../../migrations/evaluation");
}
