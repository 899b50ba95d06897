"""The tree against RFC 6962's definition, its published test vectors, and a lot of garbage."""

from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from compliance.ledger.rules.format import entry_hash
from compliance.ledger.rules.tree import (
    EMPTY_ROOT,
    RootStack,
    consistency_proof,
    inclusion_proof,
    node_hash,
    root,
    verify_consistency,
    verify_inclusion,
)

LEAVES = [entry_hash(bytes([n])) for n in range(199)]
STRAY = sha256(b"from another tree").digest()
ROOTS = [root(LEAVES[:size]) for size in range(200)]

# The reference tree of Certificate Transparency (RFC 6962): leaf inputs, roots of the first 1-8 of
# them, and proofs, as published with github.com/google/certificate-transparency
# (merkletree/merkle_tree_test) and github.com/google/trillian (merkle/log_verifier_test).
INPUTS = [
    "",
    "00",
    "10",
    "2021",
    "3031",
    "40414243",
    "5051525354555657",
    "606162636465666768696a6b6c6d6e6f",
]
PUBLISHED_LEAVES = [entry_hash(bytes.fromhex(text)) for text in INPUTS]
PUBLISHED_ROOTS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
LEAF_2 = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
LEAF_5 = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
NODE_3_4 = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
NODE_5_6 = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"
NODE_7_8 = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
NODE_5_8 = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
PUBLISHED_INCLUSIONS = [  # leaf from 1, size, path
    (1, 1, []),
    (1, 8, [LEAF_2, NODE_3_4, NODE_5_8]),
    (6, 8, [LEAF_5, NODE_7_8, PUBLISHED_ROOTS[3]]),
    (3, 3, [PUBLISHED_ROOTS[1]]),
    (2, 5, [PUBLISHED_ROOTS[0], NODE_3_4, LEAF_5]),
]
PUBLISHED_CONSISTENCIES = [  # old size, new size, path
    (1, 1, []),
    (1, 8, [LEAF_2, NODE_3_4, NODE_5_8]),
    (6, 8, [NODE_5_6, NODE_7_8, PUBLISHED_ROOTS[3]]),
    (2, 5, [NODE_3_4, LEAF_5]),
]


def recursive_root(leaves):
    """RFC 6962 section 2.1, word for word."""
    if not leaves:
        return sha256(b"").digest()
    if len(leaves) == 1:
        return leaves[0]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return sha256(b"\x01" + recursive_root(leaves[:k]) + recursive_root(leaves[k:])).digest()


def recursive_path(m, leaves):
    """PATH(m, D[n]) of RFC 6962 section 2.1.1."""
    if len(leaves) == 1:
        return []
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    if m < k:
        return [*recursive_path(m, leaves[:k]), recursive_root(leaves[k:])]
    return [*recursive_path(m - k, leaves[k:]), recursive_root(leaves[:k])]


def recursive_subproof(m, leaves, whole):
    """SUBPROOF(m, D[n], b) of RFC 6962 section 2.1.2."""
    if m == len(leaves):
        return [] if whole else [recursive_root(leaves)]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    if m <= k:
        return [*recursive_subproof(m, leaves[:k], whole), recursive_root(leaves[k:])]
    return [*recursive_subproof(m - k, leaves[k:], False), recursive_root(leaves[:k])]


def test_the_published_roots():
    assert root([]) == EMPTY_ROOT
    for size, expected in enumerate(PUBLISHED_ROOTS, start=1):
        assert root(PUBLISHED_LEAVES[:size]).hex() == expected


@pytest.mark.parametrize(("leaf", "size", "path"), PUBLISHED_INCLUSIONS)
def test_the_published_inclusion_proofs(leaf, size, path):
    proof = [bytes.fromhex(text) for text in path]
    assert inclusion_proof(PUBLISHED_LEAVES[:size], leaf - 1) == proof
    assert verify_inclusion(
        leaf=PUBLISHED_LEAVES[leaf - 1],
        index=leaf - 1,
        size=size,
        proof=proof,
        root=bytes.fromhex(PUBLISHED_ROOTS[size - 1]),
    )


@pytest.mark.parametrize(("old", "new", "path"), PUBLISHED_CONSISTENCIES)
def test_the_published_consistency_proofs(old, new, path):
    proof = [bytes.fromhex(text) for text in path]
    assert consistency_proof(PUBLISHED_LEAVES[:new], old) == proof
    assert verify_consistency(
        old_size=old,
        new_size=new,
        old_root=bytes.fromhex(PUBLISHED_ROOTS[old - 1]),
        new_root=bytes.fromhex(PUBLISHED_ROOTS[new - 1]),
        proof=proof,
    )


def test_the_stack_gives_the_root_of_the_definition():
    stack = RootStack()
    for size in range(1, 200):
        stack.append(LEAVES[size - 1])
        assert stack.root() == recursive_root(LEAVES[:size]) == ROOTS[size]
        assert len(stack.peaks) == size.bit_count()


@given(st.integers(0, 199), st.integers(0, 199))
def test_a_stack_is_put_away_and_taken_up_again(first, second):
    first, second = sorted((first, second))
    stack = RootStack()
    for leaf in LEAVES[:first]:
        stack.append(leaf)
    later = RootStack(stack.size, stack.peaks).copy()
    for leaf in LEAVES[first:second]:
        later.append(leaf)
    assert later.root() == ROOTS[second]
    assert stack.root() == ROOTS[first]


@pytest.mark.parametrize(("size", "peaks"), [(1, 0), (3, 1), (4, 2), (-1, 0)])
def test_a_stack_that_cannot_be_is_refused(size, peaks):
    with pytest.raises(ValueError, match="peaks"):
        RootStack(size, LEAVES[:peaks])


def test_every_inclusion_proof_up_to_64_entries():
    for size in range(1, 65):
        leaves = LEAVES[:size]
        for index in range(size):
            proof = inclusion_proof(leaves, index)
            assert proof == recursive_path(index, leaves)
            # The right place passes; every other place and size around it does not.
            for claimed in range(size + 1):
                passes = verify_inclusion(
                    leaf=leaves[index], index=claimed, size=size, proof=proof, root=ROOTS[size]
                )
                assert passes == (claimed == index)


def test_every_consistency_proof_up_to_64_entries():
    for new in range(1, 65):
        for old in range(1, new + 1):
            proof = consistency_proof(LEAVES[:new], old)
            assert proof == recursive_subproof(old, LEAVES[:new], True)
            right = {"old_root": ROOTS[old], "new_root": ROOTS[new], "proof": proof}
            assert verify_consistency(old_size=old, new_size=new, **right)
            for wrong in {old - 1, old + 1, new + 1, 0} - {old}:
                assert not verify_consistency(old_size=wrong, new_size=new, **right)
            if old < new:
                swapped = {"old_root": ROOTS[new], "new_root": ROOTS[old], "proof": proof}
                assert not verify_consistency(old_size=new, new_size=old, **swapped)
                assert not verify_consistency(old_size=old, new_size=new, **swapped)


def test_a_proof_passes_for_another_place_only_where_the_definition_agrees():
    """A true proof under every wrong index, size and pair of sizes: as the recursion says."""
    for size in range(1, 18):
        for place in range(size):
            leaf, right = LEAVES[place], inclusion_proof(LEAVES[:size], place)
            for claimed in range(1, 20):
                for index in range(claimed):
                    assert verify_inclusion(
                        leaf=leaf, index=index, size=claimed, proof=right, root=ROOTS[size]
                    ) == (folded(index, claimed, leaf, list(right)) == ROOTS[size])
            roots, right = (
                (ROOTS[place + 1], ROOTS[size]),
                consistency_proof(LEAVES[:size], place + 1),
            )
            for new in range(2, 20):
                for old in range(1, new):
                    assert verify_consistency(
                        old_size=old,
                        new_size=new,
                        old_root=roots[0],
                        new_root=roots[1],
                        proof=right,
                    ) == (folded_pair(old, new, True, roots[0], list(right)) == roots)


def damaged(proof, known):
    """Every near miss of a proof: parts changed, left out, doubled, moved, of a wrong length."""
    for at in range(len(proof)):
        yield [*proof[:at], bytes([proof[at][0] ^ 1]) + proof[at][1:], *proof[at + 1 :]]
        yield [*proof[:at], *proof[at + 1 :]]
        yield [*proof[:at], proof[at], *proof[at:]]
        yield [*proof[:at], proof[at][:31], *proof[at + 1 :]]
        yield [*proof[:at], proof[at] + b"\0", *proof[at + 1 :]]
        yield [*proof[:at], b"", *proof[at + 1 :]]
    for extra in (*known, b"", b"\0" * 32):
        yield [*proof, extra]
        yield [extra, *proof]
    if len(proof) > 1:
        yield proof[::-1]


@given(st.integers(1, 64), st.data())
def test_no_damaged_inclusion_proof_passes(size, data):
    index = data.draw(st.integers(0, size - 1))
    right = {"leaf": LEAVES[index], "index": index, "size": size, "root": ROOTS[size]}
    proof = inclusion_proof(LEAVES[:size], index)
    for wrong in damaged(proof, (ROOTS[size], LEAVES[index])):
        assert not verify_inclusion(**right, proof=wrong)
    for field in ("leaf", "root"):
        assert not verify_inclusion(**(right | {field: STRAY}), proof=proof)
    for wrong_size in (0, index, 1 << 70):
        assert not verify_inclusion(**(right | {"size": wrong_size}), proof=proof)


@given(st.integers(2, 64), st.data())
def test_no_damaged_consistency_proof_passes(new, data):
    old = data.draw(st.integers(1, new - 1))
    right = {"old_root": ROOTS[old], "new_root": ROOTS[new]}
    proof = consistency_proof(LEAVES[:new], old)
    for wrong in damaged(proof, (ROOTS[old], ROOTS[new])):
        assert not verify_consistency(old_size=old, new_size=new, **right, proof=wrong)
    for field in right:
        wrong_root = right | {field: STRAY}
        assert not verify_consistency(old_size=old, new_size=new, **wrong_root, proof=proof)


def test_equal_sizes_need_equal_roots_and_no_proof():
    same = {"old_size": 5, "new_size": 5, "old_root": ROOTS[5]}
    assert verify_consistency(**same, new_root=ROOTS[5], proof=[])
    assert not verify_consistency(**same, new_root=ROOTS[6], proof=[])
    assert not verify_consistency(**same, new_root=ROOTS[5], proof=[ROOTS[5]])


def test_nothing_is_consistent_with_an_empty_tree():
    for new in (0, 1, 8):
        for proof in ([], [ROOTS[new]]):
            assert not verify_consistency(
                old_size=0, new_size=new, old_root=EMPTY_ROOT, new_root=ROOTS[new], proof=proof
            )
    assert not verify_inclusion(leaf=EMPTY_ROOT, index=0, size=0, proof=[], root=EMPTY_ROOT)


anything = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary()
hash_like = st.sampled_from([*LEAVES[:4], *ROOTS[:9], b"", b"\0" * 31]) | st.binary(max_size=40)


@given(anything, anything, anything, anything, st.lists(anything, max_size=9))
def test_garbage_of_any_type_is_false(first, second, third, fourth, proof):
    assert not verify_inclusion(leaf=third, index=first, size=second, proof=proof, root=fourth)
    assert not verify_consistency(
        old_size=first, new_size=second, old_root=third, new_root=fourth, proof=proof
    )


@given(
    st.integers(-2, 9), st.integers(-2, 9), hash_like, hash_like, st.lists(hash_like, max_size=5)
)
def test_a_proof_of_plausible_parts_passes_only_if_it_is_true(first, second, one, two, proof):
    if verify_inclusion(leaf=one, index=first, size=second, proof=proof, root=two):
        assert inclusion_proof_holds(first, second, one, two, proof)
    if verify_consistency(
        old_size=first, new_size=second, old_root=one, new_root=two, proof=proof
    ) and (first != second):
        assert consistency_holds(first, second, one, two, proof)


def inclusion_proof_holds(index, size, leaf, claimed_root, proof):
    """The same question by the definition: put placeholders where the path has whole subtrees."""
    return folded(index, size, leaf, list(proof)) == claimed_root


def folded(index, size, leaf, proof):
    if size == 1:
        return leaf if not proof else None
    if not proof:
        return None
    k = 1
    while k * 2 < size:
        k *= 2
    sibling = proof.pop()
    if index < k:
        left, right = folded(index, k, leaf, proof), sibling
    else:
        left, right = sibling, folded(index - k, size - k, leaf, proof)
    return None if left is None or right is None else node_hash(left, right)


def consistency_holds(old, new, old_root, new_root, proof):
    return folded_pair(old, new, True, old_root, list(proof)) == (old_root, new_root)


def folded_pair(old, new, whole, old_root, proof):
    """Old and new root of one subtree, by SUBPROOF read backwards; None where the path ends."""
    if old == new:
        if whole:
            return (old_root, old_root) if not proof else None
        return (proof[0], proof[0]) if len(proof) == 1 else None
    if not proof:
        return None
    k = 1
    while k * 2 < new:
        k *= 2
    sibling = proof.pop()
    if old <= k:
        pair = folded_pair(old, k, whole, old_root, proof)
        return pair and (pair[0], node_hash(pair[1], sibling))
    pair = folded_pair(old - k, new - k, False, old_root, proof)
    return pair and (node_hash(sibling, pair[0]), node_hash(sibling, pair[1]))


@given(st.integers(-3, 12), st.integers(0, 12))
def test_proofs_of_what_is_not_there_are_refused(index, size):
    if not 0 <= index < size:
        with pytest.raises(IndexError):
            inclusion_proof(LEAVES[:size], index)
    if not 0 < index <= size:
        with pytest.raises(IndexError):
            consistency_proof(LEAVES[:size], index)
