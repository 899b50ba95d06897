"""Reads screening rules from their files: the only I/O of screening. Judging is in `rules`."""

import hashlib
import json
from collections.abc import Hashable, Iterable, Mapping
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import jsonschema
import yaml

from clients.problems import HousePolicyRefused, RuleFileRefused, RuleFileUnreadable
from clients.rules.checks import Fault, faults_in
from clients.rules.house import loosened, policy_faults, with_house_policy
from clients.rules.model import RuleSet
from clients.rules.reading import rule_set_from

SHIPPED = Path(__file__).parent / "screening_rules"
_SCHEMA = SHIPPED / "schema.json"
#: The shipped files together are a twentieth of it; more is not a rule file.
_MOST_BYTES = 2_000_000


@cache
def shipped_rule_set() -> RuleSet:
    """The rules that come with the program, read once."""
    return rule_set_of(_shipped_data())


def rule_set_under(policy: dict[str, Any]) -> RuleSet:
    """The shipped rules, tightened by a parsed house policy; an empty one changes nothing.

    Raises RuleFileUnreadable or HousePolicyRefused.
    """
    return _tightened(json.dumps(policy, sort_keys=True)) if policy else shipped_rule_set()


@lru_cache(maxsize=200)
def _tightened(policy: str) -> RuleSet:
    return rule_set_of(_shipped_data(), json.loads(policy))


@cache
def _shipped_data() -> dict[str, Any]:
    """The shipped files, parsed; read only."""
    return _rule_data(SHIPPED)


def load_rule_set(folder: Path = SHIPPED, house_policy: Path | None = None) -> RuleSet:
    """The rule set of all YAML files in `folder`, tightened by the file `house_policy` if given.

    Raises RuleFileUnreadable, or what `rule_set_of` raises.
    """
    return rule_set_of(_rule_data(folder), None if house_policy is None else _parsed(house_policy))


def rule_set_of(data: dict[str, Any], policy: dict[str, Any] | None = None) -> RuleSet:
    """The rule set that parsed `data` describes, tightened by a parsed house policy if given.

    Raises RuleFileUnreadable for another shape than the schema's, RuleFileRefused with every
    fault found, or HousePolicyRefused.
    """
    _check_shape(data, "ruleSet")
    _refuse(RuleFileRefused, faults_in(data))
    shipped = rule_set_from(data, digest=_digest(data))
    return shipped if policy is None else _under(policy, shipped, data)


def _under(policy: dict[str, Any], shipped: RuleSet, data: dict[str, Any]) -> RuleSet:
    _check_shape(policy, "housePolicy")
    _refuse(HousePolicyRefused, policy_faults(data, policy))
    merged = with_house_policy(data, policy)
    _refuse(HousePolicyRefused, faults_in(merged))
    house = rule_set_from(merged, digest=_digest(merged))
    _refuse(HousePolicyRefused, loosened(shipped, house))
    return house


def _refuse(problem: type[RuleFileRefused], faults: Iterable[Fault]) -> None:
    named = [{"code": f.code, "where": f.where, "message": f.message} for f in faults]
    if named:
        raise problem(faults=named)


def _rule_data(folder: Path) -> dict[str, Any]:
    """All files of `folder` as one: their `rules` in a row, every other section from one file."""
    paths = sorted(folder.glob("*.yaml"))
    if not paths:
        raise RuleFileUnreadable(where=str(folder), reason="There is no rule file.")
    data: dict[str, Any] = {"rules": []}
    for path in paths:
        part = _parsed(path)
        data["rules"] += part.pop("rules", [])
        for section in sorted(data.keys() & part.keys()):
            raise RuleFileUnreadable(where=path.name, reason=f"{section} is in another file too.")
        data |= part
    return data


def _parsed(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise RuleFileUnreadable(where=path.name, reason="It is too long for a rule file.")
        data = yaml.load(path.read_text(encoding="utf-8"), Loader=_StrictLoader)  # noqa: S506
    except OSError as error:
        raise RuleFileUnreadable(where=path.name, reason=error.strerror or "unreadable") from error
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError, ValueError) as error:
        raise RuleFileUnreadable(where=path.name, reason=str(error)) from error
    if not isinstance(data, dict) or not isinstance(data.get("rules", []), list):
        raise RuleFileUnreadable(where=path.name, reason="It is not a mapping of sections.")
    return data


@cache
def _validator(shape: str) -> jsonschema.Draft202012Validator:
    schema = json.loads(_SCHEMA.read_text(encoding="utf-8"))
    return jsonschema.Draft202012Validator({**schema, "$ref": f"#/$defs/{shape}"})


def _check_shape(data: Mapping[str, Any], shape: str) -> None:
    error = jsonschema.exceptions.best_match(_validator(shape).iter_errors(data))
    if error is not None:
        place = "/".join(map(str, error.absolute_path)) or "/"
        raise RuleFileUnreadable(where=place, reason=error.message[:500])


def _digest(data: Mapping[str, Any]) -> str:
    """SHA-256 of the data as JSON with sorted keys: comments and layout do not change it."""
    text = json.dumps(data, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


class _StrictLoader(yaml.SafeLoader):
    """YAML without doubled keys, where the last would win silently, and without aliases."""

    def compose_node(self, parent: Any, index: Any) -> Any:
        if self.check_event(yaml.AliasEvent):
            raise yaml.YAMLError("aliases are not taken in rule files")
        return super().compose_node(parent, index)

    def construct_mapping(self, node: Any, deep: bool = False) -> dict[Hashable, Any]:
        mapping = super().construct_mapping(node, deep)
        if len(mapping) != len(node.value):
            raise yaml.YAMLError(f"a key is there twice, {node.start_mark}")
        return mapping
