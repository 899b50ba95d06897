"""The folder that leaves the house, checked by a stranger: two verifiers, one verdict."""

import ast
import json
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.ledger import verify_bundle
from compliance.ledger.rules.bundle import (
    CHECKPOINTS_FILE,
    ENTRIES_FILE,
    README_FILE,
    VERIFIER_FILE,
    BundleMalformed,
    entry_line,
    parse_line,
    parse_lines,
    readme,
)
from compliance.ledger.rules.checkpoint import checkpoints_text, origin_of
from compliance.ledger.rules.format import entry_hash, parse_header
from compliance.ledger.rules.verify import StoredEntry, verify
from tests.ledger.rules.chains import MONDAY, Chain, made_chain, seeded_id

chains = st.builds(made_chain, st.integers(0, 10**6), st.integers(1, 10), st.booleans())
PROGRAM = Path(verify_bundle.__file__)


def written(chain, folder, *, checkpoints=(), with_personal=True):
    """The bundle of a chain as a folder, with the program in it."""
    folder.mkdir(exist_ok=True)
    lines = [entry_line(entry, with_personal=with_personal) for entry in chain.entries]
    about = {"origin": origin_of(**chain.ids), "count": len(lines), "made_at": chain.now}
    (folder / ENTRIES_FILE).write_text("".join(f"{line}\n" for line in lines))
    (folder / CHECKPOINTS_FILE).write_text(checkpoints_text(checkpoints))
    (folder / README_FILE).write_text(readme(**about, with_personal=with_personal))
    shutil.copy(PROGRAM, folder / VERIFIER_FILE)
    return folder


def run(folder, *arguments):
    """What a stranger does: plain Python, none of our packages, no environment."""
    done = subprocess.run(
        [sys.executable, "-I", "-S", folder / VERIFIER_FILE, folder, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={},
        cwd="/",
    )
    assert done.stderr == ""
    return done.returncode, done.stdout


def both(lines, chain, *checkpoints):
    """The entry that each of the two verifiers names, None for none: ours, then the stranger's."""
    marks = [
        verify_bundle.Checkpoint(each.origin, each.size, each.root, each.at, "kept")
        for each in checkpoints
    ]
    try:
        ours = verify(map(parse_line, lines), **chain.ids, checkpoints=checkpoints).failure
    except BundleMalformed:
        ours = "a line"
    try:
        verify_bundle.verify_lines(lines, marks)
    except verify_bundle.NotVerified as error:
        theirs = int(str(error).split(":")[0].removeprefix("entry "))
    except verify_bundle.NothingToCheck:
        theirs = "another chain"
    else:
        theirs = None
    return getattr(ours, "n", ours), theirs


@given(chains, st.booleans())
def test_entries_are_read_back_as_written(chain, with_personal):
    lines = [entry_line(entry, with_personal=with_personal) + "\n" for entry in chain.entries]
    for entry, read in zip(chain.entries, parse_lines(lines), strict=True):
        assert read[:3] == entry[:3]
        assert read[3:] == (entry[3:] if with_personal else (None, None))


@given(chains, st.data())
def test_both_verifiers_pass_the_whole_and_name_the_same_entry_of_the_damaged(chain, data):
    checkpoint = chain.checkpoint()
    entries = list(chain.entries)
    lines = [entry_line(entry, with_personal=True) for entry in entries]
    assert both(lines, chain, checkpoint) == (None, None)
    k = data.draw(st.integers(1, len(entries)))
    name = data.draw(
        st.sampled_from([f for f in StoredEntry._fields if getattr(entries[k - 1], f)])
    )
    value = getattr(entries[k - 1], name)
    at = data.draw(st.integers(0, len(value) - 1))
    piece = bytes([value[at] ^ 1]) if isinstance(value, bytes) else data.draw(st.characters())
    changed = value[:at] + piece + value[at + 1 :]
    lines[k - 1] = entry_line(entries[k - 1]._replace(**{name: changed}), with_personal=True)
    ours, theirs = both(lines, chain, checkpoint)
    if changed == value:
        assert (ours, theirs) == (None, None)
    elif theirs == "another chain":
        assert ours == 1  # its first entry says where the whole copy belongs
    elif name == "header" and parses(changed):
        # One takes a new chain from a changed first entry and finds the second does not belong.
        assert {ours, theirs} <= {k, k + 1}
    else:
        assert ours == theirs == k


def parses(header):
    try:
        return bool(parse_header(header.encode()))
    except ValueError:
        return False


@given(chains, st.data())
def test_both_refuse_a_line_with_one_changed_character(chain, data):
    checkpoint = chain.checkpoint()
    lines = [entry_line(entry, with_personal=True) for entry in chain.entries]
    k = data.draw(st.integers(1, len(lines)))
    line = lines[k - 1]
    at = data.draw(st.integers(0, len(line) - 1))
    other = data.draw(st.characters().filter(lambda c: c != line[at]))
    lines[k - 1] = line[:at] + other + line[at + 1 :]
    ours, theirs = both(lines, chain, checkpoint)
    assert ours is not None
    assert theirs is not None


@given(chains, st.data())
def test_both_see_what_was_moved_left_out_or_doubled(chain, data):
    lines = [entry_line(entry, with_personal=True) for entry in chain.entries]
    k = data.draw(st.integers(1, len(lines)))
    match data.draw(st.sampled_from(["drop", "double", "cut"])):
        case "drop":
            del lines[k - 1]
        case "double":
            lines.insert(k, lines[k - 1])
        case "cut":
            del lines[k - 1 :]
    ours, theirs = both(lines, chain, chain.checkpoint())
    assert ours == theirs
    assert ours in (k, k + 1)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "null",
        "[]",
        "{}",
        "[" * 100_000,
        '{"facts":1e999}',
        "1" * 5000,
        '{"facts":"{}","facts_salt":"00","header":"","personal":null,"personal_salt":null}',
    ],
)
def test_a_line_that_is_no_entry_is_refused(line):
    with pytest.raises(BundleMalformed, match="line 1"):
        list(parse_lines([line]))
    with pytest.raises(verify_bundle.NotVerified, match="entry 1"):
        verify_bundle.verify_lines([line], [])


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ('"facts":', '"facts": '),
        ('{"facts":', '{"facts":"{}","facts":'),
        ('"personal":null', '"personal":"{}"'),
        ('"personal":null', '"personal":5'),
        ('"personal_salt":null', f'"personal_salt":"{"00" * 32}"'),
        ('"personal_salt":null}', '"personal_salt":null,"x":1}'),
        ('"facts":"{}"', '"facts":null'),
        ('"facts":"{}"', '"facts":"\\ud800"'),
        ('"facts":"{}"', '"facts":"\\u007b}"'),
        ('"facts_salt":"', '"facts_salt":"  '),
        (',\\"v\\":1}', ',\\"v\\":true}'),
        (',\\"v\\":1}', ',\\"v\\":1.0}'),
        (',\\"v\\":1}', ',\\"v\\":1}\\n'),
        (',\\"v\\":1}', "}"),
        ('\\"n\\":1', '\\"n\\":true'),
        ('\\"n\\":1', '\\"n\\":2'),
        ('\\"device\\":null', '\\"device\\":null,\\"device\\":null'),
        ('\\"device_entry_n\\":null', '\\"device_entry_n\\":1'),
        ('\\"role\\":\\"practitioner\\"', '\\"role\\":\\"pr\\u00e4ctitioner\\"'),
    ],
)
def test_an_entry_in_another_form_is_refused_by_both(was, becomes):
    chain = Chain(Random(1))
    chain.append()
    line = entry_line(chain.entries[0], with_personal=True)
    assert was in line
    # Without a checkpoint, so that the form alone has to be found wanting.
    ours, theirs = both([line.replace(was, becomes, 1)], chain)
    assert ours is not None
    assert theirs == 1


def relinked(entries, k, **changes):
    """Entry k changed, and every link from there on made anew, as the database's owner could."""
    made, previous = [], None
    for n, entry in enumerate(entries, start=1):
        header = replace(parse_header(entry.header.encode()), prev_hash=previous)
        text = (replace(header, **changes) if n == k else header).to_bytes()
        previous = entry_hash(text)
        made.append(entry_line(entry._replace(header=text.decode()), with_personal=True))
    return made


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({}, None),
        ({"n": 4}, 3),
        ({"n": 2}, 3),
        ({"business": UUID(int=1)}, 3),
        ({"location": UUID(int=1)}, 3),
        ({"location": None}, 3),
        ({"recorded_at": MONDAY - timedelta(days=1)}, 3),
        ({"facts": "00" * 32}, 3),
        ({"personal": "00" * 32}, None),  # committed to and not here: as if it had been erased
        ({"auth": "system"}, None),  # a rewrite without a flaw; see the next test
    ],
)
def test_a_forged_entry_with_right_links_is_named_by_both(changes, named):
    chain = Chain(Random(1), location=UUID(int=7))
    for _ in range(5):
        chain.append()
    assert both(relinked(chain.entries, 3, **changes), chain) == (named, named)


def test_a_rewrite_without_a_flaw_is_named_by_both_at_the_next_checkpoint():
    chain = Chain(Random(1))
    for _ in range(5):
        chain.append()
    lines = relinked(chain.entries, 3, auth="system")
    assert both(lines, chain, chain.checkpoint(2)) == (None, None)
    for size in (3, 4, 5):
        assert both(lines, chain, chain.checkpoint(2), chain.checkpoint(size)) == (size, size)


def test_a_link_to_another_history_is_named_by_both():
    chain, other = [Chain(Random(1), business=UUID(int=5)) for _ in range(2)]
    for _ in range(5):
        chain.append()
        other.append(auth="session")
    spliced = [*chain.entries[:2], *other.entries[2:]]
    lines = [entry_line(entry, with_personal=True) for entry in spliced]
    assert both(lines, chain) == (3, 3)


def test_both_list_the_same_things_to_look_at(tmp_path):
    random = Random(7)
    chain = Chain(random, location=seeded_id(random))
    device = seeded_id(random)
    for number in (1, 2, 5, 5, 9):
        chain.append(device=device, device_entry_n=number, late_by=timedelta(minutes=number * 4))
    checkpoint = replace(chain.checkpoint(), at=chain.now + timedelta(hours=9))
    chain.append(personal={"note": "invented"})
    chain.append(personal={"note": "invented"})
    chain.entries[-1] = chain.entries[-1]._replace(personal=None, personal_salt=None)
    ours = verify(chain.entries, **chain.ids, checkpoints=[checkpoint])
    code, text = run(written(chain, tmp_path, checkpoints=[checkpoint]))
    assert code == 0
    assert [late.n for late in ours.late] == [3, 4, 5]
    assert "to have happened: 3 (20 min), 4 (20 min), 5 (36 min)\n" in text
    assert ours.back_dated == (6, 7)
    assert "lacks it: 6, 7\n" in text
    assert [(hole.first, hole.last) for hole in ours.holes] == [(3, 4), (6, 8)]
    assert f"{device} that never came: 3-4, 6-8\n" in text
    assert ours.repeats == ((str(device), 5),)
    assert f"{device} that came again: 5\n" in text
    assert (ours.personal, ours.erased) == (1, 1)
    assert "1 as committed to, 1 erased or withheld\n" in text
    assert "1 of 1 match" in text
    assert text.endswith("VERIFIED\n")


def test_a_stranger_verifies_a_folder_and_its_growth_since_the_last_visit(tmp_path):
    chain = made_chain(11, 30)
    kept = tmp_path / "mine.txt"
    kept.write_text(checkpoints_text([chain.checkpoint(20)]))
    folder = written(chain, tmp_path / "copy", checkpoints=[chain.checkpoint()])
    code, text = run(folder, "--kept", kept)
    assert code == 0
    assert "only grew from your 20 " in text
    assert "; 10 since" in text
    assert "2 of 2 match" in text

    other = made_chain(12, 30)
    renamed = [
        replace(parse_header(entry.header.encode()), **chain.ids).to_bytes().decode()
        for entry in other.entries[:1]
    ]
    other.entries = [other.entries[0]._replace(header=renamed[0])]
    code, text = run(written(other, tmp_path / "forged"), "--kept", kept)
    assert code == 1
    assert text.startswith("NOT VERIFIED  entry 2: entries 2 to 20 are missing")


def test_a_copy_without_personal_bodies_verifies(tmp_path):
    chain = made_chain(13, 30)
    folder = written(chain, tmp_path, with_personal=False, checkpoints=[chain.checkpoint()])
    code, text = run(folder)
    assert code == 0
    assert "invented" not in (folder / ENTRIES_FILE).read_text()
    there = sum(entry.personal is not None for entry in chain.entries)
    assert f"0 as committed to, {there} erased or withheld" in text
    assert "without the personal bodies" in (folder / README_FILE).read_text()


def test_a_changed_folder_is_not_verified(tmp_path):
    chain = made_chain(14, 30)
    folder = written(chain, tmp_path)
    text = (folder / ENTRIES_FILE).read_text()
    lines = text.splitlines(keepends=True)
    lines[16] = lines[16].replace("floor", "flour", 1)
    (folder / ENTRIES_FILE).write_text("".join(lines))
    code, said = run(folder)
    assert code == 1
    assert said == "NOT VERIFIED  entry 17: the facts are not those committed to\n"
    (folder / ENTRIES_FILE).write_bytes(text.encode() + b"\xff\n")
    assert run(folder)[0] == 1


@pytest.mark.parametrize(
    ("name", "content"),
    [
        (ENTRIES_FILE, None),
        (ENTRIES_FILE, ""),
        (CHECKPOINTS_FILE, None),
        (CHECKPOINTS_FILE, "nonsense\n"),
        (CHECKPOINTS_FILE, b"\xff"),
    ],
)
def test_where_there_is_nothing_to_check_it_says_so(tmp_path, name, content):
    folder = written(made_chain(15, 3), tmp_path / "copy")
    (folder / name).unlink()
    if content is not None:
        (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    code, said = run(folder)
    assert (code, said[:16]) == (2, "NOTHING TO CHECK")
    assert said.count("\n") == 1


def test_checkpoints_of_another_chain_do_not_count(tmp_path):
    chain, other = made_chain(16, 3), made_chain(17, 3)
    code, said = run(written(chain, tmp_path, checkpoints=[other.checkpoint()]))
    assert code == 2
    assert origin_of(**other.ids) in said


def test_texts_from_a_copy_cannot_steer_the_terminal(tmp_path):
    folder = written(made_chain(18, 1), tmp_path)
    evil = replace(made_chain(18, 1).checkpoint(), origin="spa/\x1b[2J\u202e")
    (folder / CHECKPOINTS_FILE).write_text(evil.to_text())
    code, said = run(folder)
    assert code == 2
    assert said.isascii()
    assert "\x1b" not in said


def test_the_program_needs_only_the_standard_library():
    tree = ast.parse(PROGRAM.read_text(), feature_version=(3, 9))
    imported = {
        (node.module if isinstance(node, ast.ImportFrom) else alias.name).split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    assert imported <= sys.stdlib_module_names


def test_a_line_is_plain_json():
    chain = made_chain(19, 4)
    for entry in chain.entries:
        raw = json.loads(entry_line(entry, with_personal=True))
        assert raw["header"] == entry.header
        assert bytes.fromhex(raw["facts_salt"]) == entry.facts_salt
