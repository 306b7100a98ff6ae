//! The house rules hold.

#[test]
fn layers_lints_and_layout_are_as_the_plan_says() {
    let root = xtask::workspace_root().expect("the workspace");
    let faults = xtask::tidy::check(&root).expect("the check runs");
    assert!(faults.is_empty(), "\n{}", faults.join("\n"));
}
