"""Checks the licences in `cargo metadata` (standard input) against a deny.toml (argument)."""

import json
import re
import sys
import tomllib


def permits(expression, allowed):
    """Whether an SPDX expression can be met with the allowed licences alone."""
    # `MIT/Apache-2.0` is the older way to write `MIT OR Apache-2.0`.
    tokens = re.findall(r"[()]|[^\s()]+", expression.replace("/", " OR "))

    def alternatives():
        met = requirements()
        while tokens and tokens[0] == "OR":
            tokens.pop(0)
            met = requirements() or met
        return met

    def requirements():
        met = licence()
        while tokens and tokens[0] == "AND":
            tokens.pop(0)
            met = licence() and met
        return met

    def licence():
        token = tokens.pop(0)
        if token == "(":
            met = alternatives()
            if tokens.pop(0) != ")":
                raise ValueError(expression)
            return met
        if tokens and tokens[0] == "WITH":
            tokens.pop(0)
            token = f"{token} WITH {tokens.pop(0)}"
        return token in allowed

    met = alternatives()
    if tokens:
        raise ValueError(expression)
    return met


def main():
    with open(sys.argv[1], "rb") as policy:
        licenses = tomllib.load(policy)["licenses"]
    allowed = set(licenses["allow"])
    clarified = {entry["crate"]: entry["expression"] for entry in licenses.get("clarify", [])}
    metadata = json.load(sys.stdin)
    # Only crates that the platform asked for really uses.
    used = {node["id"] for node in metadata["resolve"]["nodes"]}
    packages = [package for package in metadata["packages"] if package["id"] in used]
    refused = []
    for package in packages:
        expression = clarified.get(package["name"]) or package["license"]
        try:
            fine = bool(expression) and permits(expression, allowed)
        except (IndexError, ValueError):
            fine = False
        if not fine:
            refused.append(f"{package['name']} {package['version']}: {expression or 'no licence'}")
    for line in sorted(refused):
        print(f"licence not allowed by {sys.argv[1]}: {line}", file=sys.stderr)
    print(f"licences of {len(packages)} crates checked, {len(refused)} not allowed")
    sys.exit(1 if refused or not packages else 0)


main()
