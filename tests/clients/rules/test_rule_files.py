"""Reading rule files: what is refused, by which name, and what a house policy may do."""

import json
from copy import deepcopy
from decimal import Decimal
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from clients.problems import HousePolicyRefused, RuleFileRefused, RuleFileUnreadable
from clients.rule_files import SHIPPED, load_rule_set, rule_set_of
from clients.rules.checks import faults_in
from clients.rules.model import AboutClient, Strength, Verdict
from tests.clients.rules.scenarios import RULES, TODAY, said, screened, unhurried

SHIPPED_DATA = {"rules": []}
for _path in sorted(SHIPPED.glob("*.yaml")):
    _part = yaml.safe_load(_path.read_text(encoding="utf-8"))
    SHIPPED_DATA["rules"] += _part.pop("rules", [])
    SHIPPED_DATA |= _part


def changed(**rule_changes):
    """The shipped data with one rule (light_peel) changed; None takes a field away."""
    data = deepcopy(SHIPPED_DATA)
    rule = next(rule for rule in data["rules"] if rule["id"] == "light_peel")
    rule.update(rule_changes)
    for name in [name for name, value in rule_changes.items() if value is None]:
        del rule[name]
    return data


def written(tmp_path, data) -> Path:
    tmp_path.mkdir(exist_ok=True)
    (tmp_path / "all.yaml").write_text(yaml.safe_dump(data, allow_unicode=True), encoding="utf-8")
    return tmp_path


def faults(data):
    with pytest.raises(RuleFileRefused) as caught:
        rule_set_of(data)
    return {(fault["code"], fault["where"]) for fault in caught.value.fields["faults"]}


def test_the_shipped_files_are_read_whole_and_have_a_version_and_a_digest():
    assert len(RULES.rules) == len(SHIPPED_DATA["rules"])
    assert RULES.version == SHIPPED_DATA["version"]
    assert len(RULES.digest) == 64
    assert load_rule_set() == RULES


def test_the_digest_is_of_the_content_and_not_of_the_layout(tmp_path):
    again = load_rule_set(written(tmp_path, SHIPPED_DATA))
    assert again.digest == RULES.digest
    other = rule_set_of(changed(caution="Another text."))
    assert other.digest != RULES.digest


def test_the_schema_is_a_schema():
    schema = json.loads((SHIPPED / "schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"areas": ["elbow"]}, "unknown-area"),
        ({"methods": ["sorcery"]}, "unknown-method"),
        ({"about": ["flu"], "details": None}, "unknown-kind"),
        ({"details": ["blood_thinner"]}, "unknown-detail"),
        ({"condition": "full_moon"}, "unknown-condition"),
        ({"sources": []}, "missing-source"),
        ({"sources": None}, "missing-source"),
        ({"verdict": "proceed"}, "empty-verdict"),
        ({"verdict": "medical_release_first"}, "no-release"),
        ({"since": None, "ahead": None}, "endless-wait"),
        ({"lifted_by": "sight"}, "nothing-to-see"),
        ({"phase": "ongoing"}, "no-phase"),
    ],
)
def test_a_rule_that_cannot_mean_what_it_says_is_refused_by_name(change, code):
    assert (code, "light_peel") in faults(changed(**change))


def test_a_rule_about_an_unknown_flag_or_order_is_refused():
    bare = {"about": None, "details": None, "reach": None, "ahead": None}
    assert ("unknown-flag", "light_peel") in faults(changed(**bare, flag="vip"))
    order = {"areas": ["elbow"], "methods": ["sorcery"], "same_area": True, "reorder": True}
    found = faults(changed(**bare, not_after=order))
    assert {("unknown-area", "light_peel"), ("unknown-method", "light_peel")} <= found


def test_ids_may_be_there_once_only():
    data = deepcopy(SHIPPED_DATA)
    doubled = [data[section][0]["id"] for section in ("rules", "questions")]
    for section in ("rules", "questions"):
        data[section].append(data[section][0])
    assert faults(data) == {("duplicate-id", name) for name in doubled}


@pytest.mark.parametrize(
    ("areas", "code"),
    [
        ({"body": ["face"], "face": ["lip"], "lip": ["face"]}, "area-cycle"),
        ({"body": ["body"]}, "area-cycle"),
        ({"body": ["face", "ear"], "face": ["ear"]}, "area-twice"),
        ({"body": ["face"], "soul": ["heart"]}, "area-roots"),
    ],
)
def test_areas_that_are_no_tree_are_refused(areas, code):
    data = deepcopy(SHIPPED_DATA) | {"areas": areas}
    assert (code, "areas") in faults(data)


def test_an_order_that_no_visit_can_keep_is_refused():
    data = deepcopy(SHIPPED_DATA)
    tint_first = next(rule for rule in data["rules"] if rule["id"] == "nothing_after_waxing")
    data["rules"].append(
        tint_first
        | {
            "id": "wax_first",
            "methods": ["hair_removal_by_wax"],
            "not_after": {"methods": ["tint"], "same_area": True, "reorder": True},
        }
    )
    assert faults(data) == {("order-cycle", "rules")}
    # What may not be on one day at all asks for no order.
    data["rules"][-1]["not_after"]["reorder"] = False
    assert rule_set_of(data).rule("wax_first")


def test_a_kind_that_nobody_asks_or_judges_is_refused():
    data = deepcopy(SHIPPED_DATA)
    data["kinds"]["freckles"] = {"title": "freckles", "told": True, "seen": True}
    assert faults(data) == {("never-asked", "freckles"), ("never-judged", "freckles")}


def test_a_window_shorter_than_the_strictest_that_was_read_is_refused():
    data = deepcopy(SHIPPED_DATA)
    rule = next(rule for rule in data["rules"] if rule["id"] == "topical_retinoid")
    rule["since"] = {"days": 6}
    assert faults(data) == {("looser-than-published", "topical_retinoid")}


@pytest.mark.parametrize(
    "text",
    [
        "version: '1'",
        "rules: 3",
        "[]",
        "just words",
        "a: [unclosed",
        "a: &x [1]\nb: *x",
        "version: '1'\nversion: '2'",
        "a: !!python/object/apply:os.system ['true']",
        "\x00",
        "? {a: b}\n: c",
        "[" * 600,
        "",
    ],
)
def test_what_is_no_rule_file_is_refused_in_one_sentence(tmp_path, text):
    (tmp_path / "rules.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(RuleFileUnreadable) as caught:
        load_rule_set(tmp_path)
    assert caught.value.detail


def test_bytes_that_are_no_text_and_files_too_long_are_refused(tmp_path):
    (tmp_path / "rules.yaml").write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(RuleFileUnreadable):
        load_rule_set(tmp_path)
    (tmp_path / "rules.yaml").write_bytes(b"#" * 2_000_001)
    with pytest.raises(RuleFileUnreadable, match="too long"):
        load_rule_set(tmp_path)


def test_no_file_and_a_section_in_two_files_are_refused(tmp_path):
    with pytest.raises(RuleFileUnreadable, match="no rule file"):
        load_rule_set(tmp_path)
    with pytest.raises(RuleFileUnreadable):
        load_rule_set(house_policy=tmp_path / "none.yaml")
    written(tmp_path, SHIPPED_DATA)
    (tmp_path / "more.yaml").write_text("notice: Another.\n", encoding="utf-8")
    with pytest.raises(RuleFileUnreadable, match="notice"):
        load_rule_set(tmp_path)


@pytest.mark.parametrize(
    "change",
    [
        {"verdict": "perhaps"},
        {"since": {"days": 0}},
        {"since": {"days": 1, "weeks": 1}},
        {"since": {"fortnights": 1}},
        {"overridable_by": ["front_desk"]},
        {"flag": "age_unknown"},
        {"about": None, "details": None},
        {"colour": "red"},
        {"caution": ""},
        {"below_mm": 6},
    ],
)
def test_a_rule_of_another_shape_is_refused_with_its_place(change):
    with pytest.raises(RuleFileUnreadable) as caught:
        rule_set_of(changed(**change))
    assert caught.value.fields["where"].startswith("rules/")


# House policy


def under(*tighten, rules=(), version="ours-1"):
    return rule_set_of(
        SHIPPED_DATA, {"version": version, "tighten": list(tighten), "rules": list(rules)}
    )


def house_refuses(*tighten, rules=()):
    with pytest.raises(HousePolicyRefused) as caught:
        under(*tighten, rules=rules)
    return {(fault["code"], fault["where"]) for fault in caught.value.fields["faults"]}


def choice(rule, **change):
    return {"rule": rule, "why": "So we do it here.", **change}


def test_a_house_may_tighten_and_its_verdicts_say_so():
    house = under(choice("topical_retinoid", since={"weeks": 2}, overridable_by=[]))
    assert house.version == f"{RULES.version}+ours-1"
    assert house.digest != RULES.digest
    screening = screened(said("topical_retinoid", TODAY, "lip"), rules=house)
    assert (screening.earliest_on, screening.overridable_by) == (TODAY.replace(day=17), frozenset())
    assert screening.rules_version == house.version
    last = screening.reasons[0].sources[-1]
    assert (last.strength, last.says, str(last.since)) == (
        Strength.HOUSE_POLICY,
        "So we do it here.",
        "2 weeks",
    )


def test_a_house_may_choose_within_the_customs_on_file():
    house = under(choice("light_peel", since={"days": 7}))
    assert screened(
        said("chemical_peel", TODAY, "lip", details={"light"}), rules=house
    ).earliest_on == TODAY.replace(day=10)
    assert house_refuses(choice("light_peel", since={"days": 6})) == {("loosened", "light_peel")}


@pytest.mark.parametrize(
    "change",
    [
        choice("topical_retinoid", since={"days": 6}),
        choice("isotretinoin_after", since={"months": 5}),
        choice("isotretinoin_after", since={"days": 183}),  # shorter than some half years
        choice("isotretinoin_in_use", verdict="wait_until", since={"months": 6}),
        choice("unfit_skin", overridable_by=["lead"]),
        choice("unfit_skin", verdict="proceed_with_care"),
        choice("patch_test_due", since={"days": 1}),
        choice("tanning", ahead={"days": 1}),
        choice("lifted_skin", since={"weeks": 1}),
    ],
)
def test_a_house_may_not_loosen(change):
    refused = house_refuses(change)
    assert {code for code, _ in refused} <= {"loosened", "looser-than-published"}
    assert {where for _, where in refused} == {change["rule"]}


def test_half_a_year_counted_in_days_must_be_as_long_as_the_longest():
    # Six calendar months are 181 to 184 days.
    house = under(choice("isotretinoin_after", since={"days": 184}))
    assert house.rule("isotretinoin_after").since.count == 184


def test_a_house_may_add_rules_of_its_own_and_call_them_nothing_more():
    rule = {
        "id": "no_wax_on_ears",
        "title": "No wax on ears",
        "about": ["fever", "mole"],
        "areas": ["ear"],
        "verdict": "do_not_treat",
        "overridable_by": [],
        "caution": "Not here.",
        "sources": [{"ref": "house policy", "strength": "house_policy"}],
    }
    assert under(rules=[rule]).rule("no_wax_on_ears").verdict is Verdict.DO_NOT_TREAT
    published = rule | {"sources": [{"ref": "16 TAC 83.102(b)", "strength": "published_and_read"}]}
    assert house_refuses(rules=[published]) == {("not-house-policy", "no_wax_on_ears")}
    assert house_refuses(rules=[rule | {"id": "unfit_skin"}]) == {("duplicate-id", "unfit_skin")}
    assert house_refuses(rules=[rule | {"sources": []}]) == {("missing-source", "no_wax_on_ears")}
    assert house_refuses(choice("no_such_rule", since={"days": 1})) == {
        ("unknown-rule", "no_such_rule")
    }


def test_a_house_policy_is_read_from_its_file(tmp_path):
    path = tmp_path / "house.yaml"
    path.write_text(
        "version: ours-2\ntighten:\n- {rule: tanning, why: Burnt once., since: {days: 3}}\n",
        encoding="utf-8",
    )
    assert str(load_rule_set(house_policy=path).rule("tanning").since) == "3 days"


def test_a_house_policy_of_another_shape_is_refused():
    with pytest.raises(RuleFileUnreadable):
        under({"rule": "light_peel", "since": {"days": 7}})  # says not why
    with pytest.raises(RuleFileUnreadable):
        under(version="Ours 1!")


@unhurried
@given(st.sampled_from([rule["id"] for rule in SHIPPED_DATA["rules"]]), st.data())
def test_damage_to_any_rule_is_found_or_harmless(rule_id, data):
    """Taking any one optional field away either leaves a sound rule set or is a named fault."""
    damaged = deepcopy(SHIPPED_DATA)
    rule = next(rule for rule in damaged["rules"] if rule["id"] == rule_id)
    triggers = {"about", "flag", "patch_test", "not_after"}
    kept = {"id", "title", "verdict", "caution", "overridable_by", "details"} | triggers
    optional = sorted(set(rule) - kept)
    del rule[data.draw(st.sampled_from(optional))]
    for fault in faults_in(damaged):
        assert fault.where in {rule_id, "rules"}
        assert fault.message


def test_hair_bounds_are_exact_decimals():
    trigger = RULES.rule("hair_too_short").trigger
    assert isinstance(trigger, AboutClient)
    assert trigger.below == Decimal("6.35")


def test_rules_about_ingredients_bear_on_methods_with_products_alone():
    about_them = [
        rule
        for rule in RULES.rules
        if isinstance(rule.trigger, AboutClient) and rule.trigger.ingredients
    ]
    assert about_them
    for rule in about_them:
        assert all(RULES.methods[name].uses_product for name in rule.methods), rule.id
