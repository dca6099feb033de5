"""Inclusion and consistency proofs against the definition written out slowly, and published vectors."""

from __future__ import annotations

import hashlib
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from custody.core import canon, tree
from tests.core.test_tree import LEAVES, ROOTS, slow

# Proofs of the Certificate Transparency implementation, over the leaves and roots in test_tree.py: repository
# transparency-dev/merkle, file proof/verify_test.go (`inclusionProofs`, `consistencyProofs`). Its leaves are
# counted from 1.
A = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
B = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
C = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
D = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
E = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
F = "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"
G = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"
H = "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f"
INCLUSION = [
    (1, 1, []),
    (1, 8, [A, B, C]),
    (6, 8, [D, E, F]),
    (3, 3, [ROOTS[2]]),
    (2, 5, [ROOTS[1], B, D]),
]
CONSISTENCY = [(1, 1, []), (1, 8, [A, B, C]), (6, 8, [G, E, F]), (2, 5, [B, D]), (6, 7, [G, H, F])]
PUBLISHED = [canon.leaf(bytes.fromhex(text)) for text in LEAVES]


def parts(hashes: list[bytes]) -> tree.Part:
    return lambda start, stop: tree.root(hashes[start:stop])


@pytest.mark.parametrize(("nth", "size", "path"), INCLUSION)
def test_published_inclusion_proofs(nth, size, path):
    said = [bytes.fromhex(one) for one in path]
    assert tree.inclusion(nth - 1, size, parts(PUBLISHED)) == said
    assert tree.includes(nth - 1, size, PUBLISHED[nth - 1], said, bytes.fromhex(ROOTS[size]))


@pytest.mark.parametrize(("old", "size", "path"), CONSISTENCY)
def test_published_consistency_proofs(old, size, path):
    said = [bytes.fromhex(one) for one in path]
    assert tree.consistency(old, size, parts(PUBLISHED)) == said
    assert tree.continues(old, bytes.fromhex(ROOTS[old]), size, bytes.fromhex(ROOTS[size]), said)


# --- RFC 6962, word for word, over the data itself -------------------------------------------------


def k(n: int) -> int:
    """The largest power of two smaller than n."""
    return max(2**i for i in range(n.bit_length()) if 2**i < n)


def slow_path(m: int, data: list[bytes]) -> list[bytes]:
    """PATH(m, D[n]) of section 2.1.1."""
    n = len(data)
    if n == 1:
        return []
    if m < k(n):
        return [*slow_path(m, data[: k(n)]), slow(data[k(n) :])]
    return [*slow_path(m - k(n), data[k(n) :]), slow(data[: k(n)])]


def slow_subproof(m: int, data: list[bytes], known: bool) -> list[bytes]:
    """SUBPROOF(m, D[n], b) of section 2.1.2."""
    n = len(data)
    if m == n:
        return [] if known else [slow(data)]
    if m <= k(n):
        return [*slow_subproof(m, data[: k(n)], known), slow(data[k(n) :])]
    return [*slow_subproof(m - k(n), data[k(n) :], False), slow(data[: k(n)])]


DATA = [bytes([n]) * (n % 5) for n in range(64)]
HASHED = [canon.leaf(one) for one in DATA]


@pytest.mark.parametrize("size", range(1, 65))
def test_every_proof_up_to_64_is_that_of_the_definition(size):
    root = slow(DATA[:size])
    assert tree.root(HASHED[:size]) == root
    for index in range(size):
        path = tree.inclusion(index, size, parts(HASHED))
        assert path == slow_path(index, DATA[:size])
        assert tree.includes(index, size, HASHED[index], path, root)
        way = tree.consistency(index + 1, size, parts(HASHED))
        assert way == slow_subproof(index + 1, DATA[:size], True)
        assert tree.continues(index + 1, slow(DATA[: index + 1]), size, root, way)


def wrongs(path: list[bytes]) -> list[list[bytes]]:
    """Every kind of wrong path: a bit turned, one left out, put in, exchanged, of another length."""
    other = hashlib.sha256(b"other").digest()
    found = [[*path, other], [other, *path], [*path, b""], [b"", *path]]
    for at, one in enumerate(path):
        found.append([*path[:at], bytes([one[0] ^ 8]) + one[1:], *path[at + 1 :]])
        found.append([*path[:at], one[:31] + bytes([one[31] ^ 1]), *path[at + 1 :]])
        found.append([*path[:at], *path[at + 1 :]])
        found.append([*path[:at], other, *path[at:]])
        found.append([*path[:at], one[:31], *path[at + 1 :]])
    for at, (one, two) in enumerate(pairwise(path)):
        if one != two:
            found.append([*path[:at], two, one, *path[at + 2 :]])
    return found


@pytest.mark.parametrize("size", range(1, 34))
def test_every_tampered_inclusion_proof_is_refused(size):
    root = tree.root(HASHED[:size])
    for index in range(size):
        path = tree.inclusion(index, size, parts(HASHED))
        for wrong in wrongs(path):
            assert not tree.includes(index, size, HASHED[index], wrong, root)
        for other in range(-1, size + 1):
            assert tree.includes(other, size, HASHED[index], path, root) == (other == index)
        assert not tree.includes(index, size, HASHED[(index + 1) % 64], path, root)
        assert not tree.includes(index, size, HASHED[index], path, HASHED[63])
        assert not tree.includes(index, size, HASHED[index], path, b"")
        assert not tree.includes(index, size * 2, HASHED[index], path, root)
        assert not tree.includes(index, size // 2, HASHED[index], path, root)


@pytest.mark.parametrize("size", range(2, 34))
def test_every_tampered_consistency_proof_is_refused(size):
    root = tree.root(HASHED[:size])
    for old in range(1, size):
        before = tree.root(HASHED[:old])
        way = tree.consistency(old, size, parts(HASHED))
        for wrong in wrongs(way):
            assert not tree.continues(old, before, size, root, wrong)
        for other in range(-1, size + 2):
            if other != old:
                assert not tree.continues(other, before, size, root, way)
        for another in (size * 2, size // 2):  # not every size: a root alone does not say how many leaves,
            assert not tree.continues(old, before, another, root, way)  # so checkpoints sign both
        assert not tree.continues(old, root, size, before, way)
        assert not tree.continues(old, HASHED[63], size, root, way)
        assert not tree.continues(old, before, size, HASHED[63], way)


def test_the_ends():
    """As in verify_test.go (`TestVerifyConsistency`), but the root of nothing is asked for too."""
    some, other = HASHED[:2]
    assert tree.continues(0, tree.EMPTY, 0, tree.EMPTY, [])
    assert tree.continues(0, tree.EMPTY, 1, some, [])
    assert tree.continues(1, some, 1, some, [])
    assert not tree.continues(0, other, 1, some, [])
    assert not tree.continues(1, some, 1, other, [])
    assert not tree.continues(2, some, 1, other, [])
    assert not tree.continues(1, some, 2, other, [])
    assert not tree.continues(0, tree.EMPTY, 1, some, [some])
    assert not tree.continues(1, some, 1, some, [some])
    for wrong in [(0, 0), (1, 1), (-1, 1)]:
        assert not tree.includes(*wrong, some, [], some)
        with pytest.raises(ValueError):
            tree.inclusion(*wrong, parts(HASHED))
    for wrong in [(2, 1), (-1, 3)]:
        with pytest.raises(ValueError):
            tree.consistency(*wrong, parts(HASHED))


def test_a_path_cannot_be_longer_than_the_tree_is_high():
    """A leaf of a larger tree is no leaf of a smaller one, although its root can be reached."""
    one, other = HASHED[:2]
    assert tree.includes(1, 2, one, [other], canon.node(other, one))
    assert not tree.includes(0, 1, one, [other], canon.node(other, one))


def test_bytes_cannot_be_shifted_from_one_hash_into_its_neighbour():
    one, other = HASHED[:2]
    root = canon.node(one, other)
    assert tree.includes(0, 2, one, [other], root)
    assert not tree.includes(0, 2, one + other[:1], [other[1:]], root)


# --- tiles: the same from fewer hashes ------------------------------------------------------------------


@pytest.fixture(scope="module")
def large() -> tuple[list[bytes], dict[tuple[int, int], bytes], tree.Tiled]:
    """66,000 leaves: 257 tiles, one of the second level."""
    hashes = [canon.leaf(n.to_bytes(4, "big")) for n in range(66_000)]
    grown, tiles = tree.Tiled(), {}
    for one in hashes:
        for level, number, made in grown.add(one):
            tiles[level, number] = made
    return hashes, tiles, grown


def test_a_tree_with_tiles_has_the_same_root(large):
    hashes, tiles, grown = large
    assert grown.root() == tree.root(hashes)
    assert sorted(tiles) == [*[(1, n) for n in range(257)], (2, 0)]
    assert tiles[1, 256] == tree.root(hashes[65_536:65_792]) and tiles[2, 0] == tree.root(hashes[:65_536])


@pytest.mark.parametrize("size", [0, 1, 255, 256, 257, 511, 512, 513])
def test_small_trees_with_tiles(size):
    grown = tree.Tiled()
    for one in (HASHED * 9)[:size]:
        grown.add(one)
    assert grown.root() == tree.root((HASHED * 9)[:size])


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_proofs_from_tiles_hold_for_any_size_and_index(large, data):
    hashes, tiles, _ = large
    size = data.draw(st.one_of(st.integers(1, 66_000), st.sampled_from([65_536, 65_537, 65_792, 256, 512])))
    index = data.draw(st.integers(0, size - 1))
    asked = 0

    def tile(level: int, number: int) -> bytes:
        nonlocal asked
        asked += 1
        return tiles[level, number] if level else hashes[number]

    root = tree.over(0, size, tile)
    assert root == tree.root(hashes[:size])
    asked = 0
    path = tree.inclusion(index, size, lambda start, stop: tree.over(start, stop, tile))
    assert tree.includes(index, size, hashes[index], path, root)
    way = tree.consistency(index, size, lambda start, stop: tree.over(start, stop, tile))
    assert tree.continues(index, tree.root(hashes[:index]), size, root, way)
    assert asked < 6 * 256  # and not tens of thousands


def test_a_subtree_stands_only_where_it_can():
    frontier = tree.Frontier()
    frontier.add(HASHED[0])
    with pytest.raises(ValueError):
        frontier.add(HASHED[1], 1)
