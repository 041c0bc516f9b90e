"""Everything but the exports that a snapshot is made from: policy, tables and mappings, by name and hash."""

import hashlib
import json

from pipelines.engine import risk
from pipelines.engine.policy import policy as policies
from pipelines.fleet.logs import attempting
from pipelines.snapshot import exports, version


def policy_of(fleet):
    """The fleet's policy, held against the checks there are; raises PolicyError."""
    policy = policies.load(fleet.policy)
    risk.refuse_unknown(policy, str(fleet.policy))
    return policy


# Name of an input: attribute of the fleet.
FILES = {"policy.toml": "policy", "places": "places", "crews": "crews"}


def _input_texts(fleet):
    """Everything but the exports that a snapshot is made from, as bytes by name."""
    found = {"policy": policy_of(fleet).text.encode()}
    for name, attribute in FILES.items():
        path = getattr(fleet, attribute)
        if path.exists():
            with attempting("read", path):
                found[name] = path.read_bytes()
    for mapping in exports.mappings_of(fleet):
        found[f"mapping:{mapping.name}"] = mapping.text.encode()
    return found


def inputs_of(fleet):
    """Hash of everything but the exports that a snapshot is made from, by name."""
    return {name: hashlib.sha256(text).hexdigest() for name, text in _input_texts(fleet).items()}


def keep_inputs(fleet):
    """Keep the texts a snapshot is about to be made from, so that it can be remade; their hashes by name."""
    return {name: fleet.keep_input(text) for name, text in _input_texts(fleet).items()}


def digest_of(log, inputs):
    """12 hexadecimal digits of what a snapshot is made from."""
    said = [(line.number, line.sha256, line.mapping, line.agency, line.status) for line in log]
    text = json.dumps([said, sorted(inputs.items()), version.read_as()])
    return hashlib.sha256(text.encode()).hexdigest()[:12]
