//! The file that starts the services apart holds no secret and bounds what each may take.

use std::collections::{BTreeMap, BTreeSet};

const COMPOSE: &str = include_str!("../../../docker-compose.yml");
const MAKES: &str = include_str!("../../../ops/make-secrets.sh");

/// Lines of each entry below a top-level key, by the entry's name.
fn entries(key: &str) -> BTreeMap<&'static str, Vec<&'static str>> {
    let mut found: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    let mut name = "";
    let lines = COMPOSE.lines().skip_while(|line| *line != key).skip(1);
    for line in lines.take_while(|line| line.is_empty() || line.starts_with([' ', '#'])) {
        match line.strip_prefix("  ") {
            Some(head) if !head.starts_with([' ', '#']) => name = head.trim_end_matches(':'),
            Some(body) => found.entry(name).or_default().push(body.trim()),
            None => {}
        }
    }
    found
}

#[test]
fn every_secret_is_a_file_of_who_needs_it() {
    let declared: BTreeSet<&str> = entries("secrets:").into_keys().collect();
    assert!(declared.len() >= 12, "{declared:?}");
    let mut used = BTreeSet::new();
    for (service, lines) in entries("services:") {
        let text = lines.join("\n");
        for line in &lines {
            let Some((name, value)) = line.split_once(": ") else {
                continue;
            };
            let secret = ["PASSWORD", "SECRET", "SETUP_KEY"]
                .iter()
                .any(|word| name.contains(word))
                || name == "DATABASE_URL";
            assert!(
                !secret || name.ends_with("_FILE"),
                "{service}: {name} stands in the environment"
            );
            if let Some(file) = value.strip_prefix("/run/secrets/") {
                assert!(name.ends_with("_FILE"), "{service}: {name}");
                assert!(declared.contains(file), "{service}: {file} is not declared");
                assert!(
                    text.matches(file).count() >= 2,
                    "{service} cannot see {file}"
                );
                used.insert(file);
            }
            assert!(
                !value.contains("${") && !value.contains(":@"),
                "{service}: {name} takes something from elsewhere"
            );
        }
    }
    assert_eq!(used, declared, "secrets that nobody uses, or the other way");
    for secret in declared {
        let made = MAKES.contains(secret)
            || secret
                .split_once('_')
                .is_some_and(|(_, kind)| MAKES.contains(&format!("${{service}}_{kind}")));
        assert!(made, "ops/make-secrets.sh does not make {secret}");
    }
}

#[test]
fn memory_is_bounded_for_each_service() {
    let shared: String = COMPOSE
        .split("x-peers:")
        .next()
        .unwrap_or_default()
        .to_owned();
    assert!(shared.contains("mem_limit: 1g") && shared.contains("pids_limit:"));
    let services = entries("services:");
    assert!(services.len() >= 7, "{services:?}");
    for (service, lines) in services {
        let bounded = lines
            .iter()
            .any(|line| *line == "<<: *service" || line.starts_with("mem_limit: "));
        assert!(bounded, "{service} has no limit of memory");
    }
}
