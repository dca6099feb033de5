"""Signed notes against the published example; checkpoints; QR text against RFC 9285."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from custody.core import base45, note

# The example of the signed-note form's first implementation: golang.org/x/mod, sumdb/note/note_test.go
# (TestNewVerifier, TestNewSigner, TestSign, TestOpen). Both keys were published with it.
PETER = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
PETER_SECRET = "PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz"
ENOCH = "EnochRoot+af0cfe78+ATtqJ7zOtqQtYqOo0CpvDXNlMhV3HeJDpjrASKGLWdop"
TEXT = "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n"
PETER_LINE = (
    "— PeterNeumann "
    "x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqd"
    "ngotpRZb6KE6RyyBwJnAM=\n"
)
ENOCH_LINE = (
    "— EnochRoot "
    "rwz+eBzmZa0SO3NbfRGzPCpDckykFXSdeX+MNtCOXm2/5n2tiOHp+vAF1aGrQ5ovTG01oO"
    "TGwnWLox33WWd1RvMc+QQ=\n"
)
# the example of C2SP tlog-checkpoint.md (its key was not published)
CHECKPOINT = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
CHECKPOINT_LINE = (
    "— example.com/behind-the-sofa "
    "Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGk"
    "u9nTo+zyWE+xeMcTOAYQ8=\n"
)


def test_the_published_note_is_signed_byte_for_byte():
    assert note.sign(TEXT, note.secret(PETER_SECRET)) == f"{TEXT}\n{PETER_LINE}"


def test_the_published_keys():
    assert note.secret(PETER_SECRET).public == note.public(PETER)
    assert (note.public(PETER).text(), note.secret(PETER_SECRET).text()) == (PETER, PETER_SECRET)
    assert note.public(ENOCH).id.hex() == "af0cfe78"


def test_the_published_note_opens_with_each_key_alone_and_with_both():
    peter, enoch = note.public(PETER), note.public(ENOCH)
    said = f"{TEXT}\n{PETER_LINE}{ENOCH_LINE}"
    assert note.opened(said, [peter]) == (TEXT, [peter])
    assert note.opened(said, [enoch]) == (TEXT, [enoch])
    assert note.opened(said, [enoch, peter]) == (TEXT, [peter, enoch])
    assert note.opened(f"{TEXT}\n{PETER_LINE}{PETER_LINE}", [peter]) == (TEXT, [peter])
    with pytest.raises(ValueError, match="None of the known keys"):
        note.opened(said, [])


@pytest.mark.parametrize("start", range(len(PETER)))
def test_no_piece_of_a_key_is_a_key_and_no_other_letter_makes_it_this_one(start):
    """As TestNewVerifier does: every piece of the text, and every letter raised by one."""
    for stop in range(start + 1, len(PETER) + 1):
        if (start, stop) != (0, len(PETER)):
            with pytest.raises(ValueError):
                note.public(PETER[start:stop])
    with pytest.raises(ValueError):
        note.public(PETER[:start] + chr(ord(PETER[start]) + 1) + PETER[start + 1 :])


@pytest.mark.parametrize(
    "key",
    [
        "PeterNeumann+cc469956+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TWBADKEY==",
        "PeterNeumann+173116ae+ZRpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
    ],
    ids=["wrong length", "unknown algorithm"],
)
def test_published_bad_keys(key):
    with pytest.raises(ValueError):
        note.public(key)


@pytest.mark.parametrize("at", range(len(PETER_SECRET)))
def test_a_mangled_secret_key_is_refused(at):
    for mangled in (
        PETER_SECRET[:at],
        PETER_SECRET[:at] + chr(ord(PETER_SECRET[at]) + 1) + PETER_SECRET[at + 1 :],
    ):
        with pytest.raises(ValueError):
            note.secret(mangled)


BAD = {
    "no signature": TEXT,
    "no signature line": TEXT + "\n",
    "no last line end": f"{TEXT}\n{PETER_LINE}"[:-1],
    "control character": f"\x01{TEXT}\n{PETER_LINE}",
    "half a character": f"\ud800{TEXT}\n{PETER_LINE}",
    "name with a space": f"{TEXT}\n" + PETER_LINE.replace("PeterNeumann", "Bad Name"),
    "another line": f"{TEXT}\n{PETER_LINE}Unexpected line.\n",
    "101 signatures": f"{TEXT}\n" + PETER_LINE * 101,
    "longer signature": f"{TEXT}\n" + PETER_LINE[:60] + "ABCD" + PETER_LINE[60:],
    "other text": f"{TEXT.replace('is.', 'is')}\n{PETER_LINE}",
    "text with one line end more": f"{TEXT}\n\n{PETER_LINE}",
}


@pytest.mark.parametrize("said", BAD.values(), ids=BAD)
def test_published_malformed_notes_and_wrong_signatures(said):
    with pytest.raises(ValueError):
        note.opened(said, [note.public(PETER)])


def test_a_wrong_signature_of_a_known_key_spoils_the_note_although_another_is_right():
    peter, enoch = note.public(PETER), note.public(ENOCH)
    other = PETER_LINE.replace("x08go/ZJ", "x08go/ZK")
    with pytest.raises(ValueError, match="does not fit"):
        note.opened(f"{TEXT}\n{other}{ENOCH_LINE}", [peter, enoch])
    assert note.opened(f"{TEXT}\n{other}{ENOCH_LINE}", [enoch]) == (TEXT, [enoch])


def test_the_published_checkpoint_is_read():
    text, [(name, number, signature)] = note.parts(f"{CHECKPOINT}\n{CHECKPOINT_LINE}")
    found = note.checkpoint(text)
    assert (found.origin, found.size, found.text()) == ("example.com/behind-the-sofa", 20_852_163, CHECKPOINT)
    assert (name, len(number), len(signature)) == (found.origin, 4, 64)
    assert found.words() == "20,852,163 · 0ac5 186a 9186 3e8e 1d90"


@pytest.mark.parametrize(
    "text",
    [
        CHECKPOINT.replace("2085", "02085"),
        CHECKPOINT.replace("20852163", "-1"),
        CHECKPOINT.replace("20852163", "٣"),
        CHECKPOINT + "extension\n",
        CHECKPOINT[:-1],
        "\n" + CHECKPOINT.partition("\n")[2],
        CHECKPOINT.replace("CsUY", ""),
        CHECKPOINT.replace("q2I=", "q2J="),
    ],
    ids=[
        "zero ahead",
        "negative",
        "other digits",
        "extension",
        "no end",
        "no origin",
        "short root",
        "loose base64",
    ],
)
def test_what_is_no_checkpoint(text):
    with pytest.raises(ValueError):
        note.checkpoint(text)


KEY = note.SecretKey("tube-to-freezer/example", bytes(range(32)))


@given(st.integers(0, 2**53), st.binary(min_size=32, max_size=32))
def test_a_checkpoint_comes_back_from_its_qr_text(size, root):
    signed = note.sign(note.Checkpoint(KEY.name, size, root).text(), KEY)
    short = note.compact(signed)
    assert len(short) == 6 + 162 and set(short) <= set(base45.LETTERS) and short == short.strip()
    assert note.expanded(short, [KEY.public]) == signed


def test_the_published_checkpoint_comes_back_from_few_characters():
    said = f"{CHECKPOINT}\n{CHECKPOINT_LINE}"
    [(name, number, _)] = note.parts(said)[1]

    class Known(note.PublicKey):
        id = number

    assert note.expanded(note.compact(said), [Known(name, bytes(32))]) == said


@pytest.mark.parametrize(
    "short", ["", "CKPT1:", "CKPT1:A", "CKPT1:" + "0" * 162, "CKPT2:" + "0" * 162, "hello"]
)
def test_what_is_no_qr_text(short):
    with pytest.raises(ValueError):
        note.expanded(short, [KEY.public])


# RFC 9285 section 4.3 and 4.4
@pytest.mark.parametrize(
    ("plain", "coded"),
    [(b"AB", "BB8"), (b"Hello!!", "%69 VD92EX0"), (b"base-45", "UJCLQE7W581"), (b"ietf!", "QED8WEX0")],
)
def test_published_base45(plain, coded):
    assert base45.encode(plain) == coded and base45.decode(coded) == plain


@pytest.mark.parametrize("text", ["GGW", ":::", "A", "BB8A", "ab8", "::"])  # GGW: RFC 9285 section 6
def test_what_is_no_base45(text):
    with pytest.raises(ValueError):
        base45.decode(text)


@given(st.binary(max_size=40))
def test_base45_comes_back(data):
    assert base45.decode(base45.encode(data)) == data


@pytest.mark.parametrize("name", ["", "a b", "a+b", "a\nb", "a\u00a0b", "a\u202eb", "\x7f"])
def test_names_that_keys_cannot_have(name):
    assert not note.name_is_good(name)
