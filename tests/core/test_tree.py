"""Merkle trees against the published vectors and against the definition written out slowly."""

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from custody.core import canon, tree

# Reference leaves and roots of the Certificate Transparency implementation (RFC 6962 hashing), as
# published in the repository transparency-dev/merkle, file testonly/constants.go.
LEAVES = ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]


def slow(leaves: list[bytes]) -> bytes:
    """The definition of RFC 6962 section 2.1, word for word: split at the largest power of two below n."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return hashlib.sha256(b"\x00" + leaves[0]).digest()
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    return hashlib.sha256(b"\x01" + slow(leaves[:split]) + slow(leaves[split:])).digest()


def test_roots_agree_with_the_published_vectors():
    hashed = [canon.leaf(bytes.fromhex(text)) for text in LEAVES]
    assert [tree.root(hashed[:size]).hex() for size in range(len(LEAVES) + 1)] == ROOTS


@given(st.lists(st.binary(max_size=8), max_size=70))
def test_roots_agree_with_the_definition(leaves):
    assert tree.root(canon.leaf(data) for data in leaves) == slow(leaves)


def test_a_line_is_hashed_with_sixteen_bytes_of_salt_ahead_of_its_text():
    salt = bytes(range(16))
    by_hand = [
        hashlib.sha256(salt + n.to_bytes(4, "big")).digest()[:16] + text.encode()
        for n, text in enumerate("ab")
    ]
    assert tree.lines_root(salt, ["a", "b"]) == slow(by_hand)
    assert tree.lines_root(b"\x00" * 16, ["a", "b"]) != tree.lines_root(salt, ["a", "b"])
