"""Proof files, read by the stand-alone checker as a process of its own that can import nothing of ours."""

from __future__ import annotations

import copy
import hashlib
import importlib.util
import json
import re
import subprocess
import sys
from io import StringIO
from pathlib import Path
from types import ModuleType
from typing import Any

import cryptography
import pytest
from django.core.management import CommandError, call_command

from custody import checkpoints, keys, proof
from custody.core import canon, note, tree
from custody.core.event import new_id
from custody.core.refusal import Refused
from custody.models import Event

CHECKER = Path(__file__).resolve().parents[2] / "custody" / "standalone" / "verify_custody.py"
TUBES = [f"K7R{n:03}{'ABCDEFGH'[n % 8]}{n % 10}X" for n in range(300)]
SHOWN = TUBES[7:300:15]  # 20 of them


@pytest.fixture
def handoff(say) -> str:
    """One handoff of 300 tubes, with other events before and after it."""
    say("label_printed", TUBES, 0, role="new")
    say("drawn", TUBES, 1, ul=1_000)
    done = say("handed_off", TUBES, 2, data={"to": "NLB", "how": "sealed", "seal": "S-9"})
    say("thawed", TUBES[0], 3)
    return done.id


@pytest.fixture(scope="module")
def alone(tmp_path_factory) -> Path:
    """A folder with the checker and the signature library, and nothing else of this environment."""
    folder, packages = tmp_path_factory.mktemp("alone"), Path(cryptography.__file__).parents[1]
    (folder / "lib").mkdir()
    for path in packages.iterdir():
        if re.match(r"(cryptography|cffi|_cffi_backend)\b", path.name):
            (folder / "lib" / path.name).symlink_to(path)
    (folder / "verify_custody.py").write_bytes(CHECKER.read_bytes())
    return folder


RUN = """
import sys, runpy
sys.path.append(sys.argv.pop(1))
for absent in ("django", "custody", "biobank", "numpy", "qrcode", "pytest"):
    try:
        __import__(absent)
    except ImportError:
        pass
    else:
        sys.exit(f"{absent} can be imported here")
sys.argv.pop(0)
try:
    runpy.run_path(sys.argv[0], run_name="__main__")
finally:
    names = {name.partition(".")[0] for name in sys.modules} - sys.stdlib_module_names
    print("MODULES", *sorted(name for name in names if not name.startswith("_")), file=sys.stderr)
"""


def checked(alone: Path, said: Any, key: str | None = None, *held: str) -> subprocess.CompletedProcess[str]:
    """The checker's answer, in a Python without site packages and without our folder."""
    text = said if isinstance(said, str) else proof.text(said)
    (alone / "given.json").write_text(text, encoding="utf-8")
    for n, one in enumerate(held):
        (alone / f"held-{n}").write_text(one, encoding="utf-8")
    words = ["verify_custody.py", "given.json", "--key", key or keys.secret().public.text()]
    words += ["--held", *(f"held-{n}" for n in range(len(held)))] if held else []
    return subprocess.run(
        [sys.executable, "-I", "-S", "-X", "utf8", "-c", RUN, str(alone / "lib"), *words],
        cwd=alone, env={}, capture_output=True, text=True, encoding="utf-8", timeout=60,
    )  # fmt: skip


@pytest.fixture(scope="module")
def checker() -> ModuleType:
    """The same file, imported, for the many cases that need no process of their own."""
    spec = importlib.util.spec_from_file_location("verify_custody", CHECKER)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def holds(checker: ModuleType, said: Any) -> bool:
    try:
        checker.check(said, [checker.read_key(keys.secret().public.text())])
    except (checker.NotProven, checker.Unreadable, KeyError, TypeError, ValueError, AttributeError):
        return False
    return True


# --- alone ------------------------------------------------------------------------------------------------


def test_the_checker_alone_says_what_is_proven_and_what_is_not(alone, handoff):
    done = checked(alone, proof.build(handoff, SHOWN))
    assert done.returncode == 0, done.stdout + done.stderr
    proven, _, not_proven = done.stdout.partition("NOT PROVEN BY THIS")
    for words in (
        "held 4 events",
        "Its event 2 is this and no other: handed_off",
        "seal S-9",
        "20 of its 300 lines",
    ):
        assert words in proven
    assert all(tube in proven for tube in SHOWN)
    for words in (
        "280 lines that are not shown",
        "voided or corrected",
        "what was written is true",
        "clocks",
    ):
        assert words in not_proven
    assert re.search(r"^MODULES( cffi| cryptography)+$", done.stderr, re.M), done.stderr


def test_the_checker_needs_no_library_but_the_one_for_the_signature():
    imports = re.findall(r"^\s*(?:import|from) (\w+)", CHECKER.read_text(encoding="utf-8"), re.M)
    foreign = {name for name in imports if name not in sys.stdlib_module_names}
    assert foreign == {"cryptography"}


def test_another_key_proves_nothing(alone, handoff):
    done = checked(alone, proof.build(handoff), keys.new_key().public.text())
    assert (done.returncode, done.stdout[:10]) == (1, "NOT PROVEN")
    same_name = keys.new_key(keys.secret().name)
    done = checked(alone, proof.build(handoff), same_name.public.text())
    assert done.returncode == 1 and "none of the keys that you trust" in done.stdout


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", "hello", '{"form": "custody-proof 2"}', "{" * 5_000, '{"a":1,"a":2}']
)
def test_what_is_no_proof_is_a_sentence_and_no_crash(alone, text):
    done = checked(alone, text)
    assert (
        done.returncode == 2 and done.stdout.startswith("CANNOT BE READ") and "Traceback" not in done.stderr
    )


def test_a_new_key_is_followed_from_the_old_one(alone, handoff):
    old = keys.secret().public.text()
    checkpoints.change_key()
    done = checked(alone, proof.build(handoff, SHOWN), old)
    assert done.returncode == 0 and "each change was signed by the old key" in done.stdout
    said = proof.build(handoff, SHOWN)
    said["key_changes"] = []
    assert checked(alone, said, old).returncode == 1


def test_a_checkpoint_that_was_kept_is_held_against_the_proof(alone, handoff, say):
    held = checkpoints.make("on demand")
    say("discarded", TUBES[5], 9, data={"why": "empty"})
    checkpoints.make("on demand")
    said = proof.build(handoff, SHOWN, [note.checkpoint(note.parts(held.note)[0])])
    for kept in (held.note, held.short):  # the file, and the text of the QR code on a paper
        done = checked(alone, said, None, kept)
        assert (
            done.returncode == 0
            and "ledger of 4 events that you hold is the unchanged beginning" in done.stdout
        )
    assert checked(alone, proof.build(handoff), None, held.note).returncode == 1  # the way was not asked for


def test_a_fork_is_called_one(alone, handoff, say):
    """A server that signs another history of the same length, or a longer one, for somebody else."""
    key = keys.secret()
    said = proof.build(handoff, SHOWN)
    other = note.sign(note.Checkpoint(key.name, 4, bytes(32)).text(), key)
    done = checked(alone, said, None, other)
    assert done.returncode == 1 and "TWO HISTORIES" in done.stdout
    shorter = note.Checkpoint(key.name, 3, bytes(32))
    said = proof.build(handoff, SHOWN, [shorter])
    done = checked(alone, said, None, note.sign(shorter.text(), key))
    assert done.returncode == 1 and "does not begin with the 3 events" in done.stdout


def test_text_cannot_play_with_the_readers_screen(alone, say, drawn):
    nasty = "\x1b[2J\u202ePROVEN\u0007"
    done = say("handed_off", "T1", 5, data={"to": "NLB", "how": "hand", "note": nasty})
    said = checked(alone, proof.build(done.id))
    assert said.returncode == 0
    assert not set("\x1b\u202e\u0007") & set(said.stdout) and "\\u202e" in said.stdout


# --- what is in the file --------------------------------------------------------------------------------


def test_twenty_of_three_hundred_lines_tell_nothing_of_the_other_280(handoff):
    text = proof.text(proof.build(handoff, SHOWN))
    hidden = [tube for tube in TUBES if tube not in SHOWN]
    assert len(SHOWN) == 20 and len(hidden) == 280
    assert all(tube in text for tube in SHOWN)
    assert not any(tube in text for tube in hidden)
    event = Event.objects.get(event_id=handoff)
    assert bytes(event.salt).hex() not in text
    for n, tube in enumerate(TUBES):
        assert (tree.line_salt(bytes(event.salt), n).hex() in text) == (tube in SHOWN)


def test_a_hidden_line_cannot_be_guessed_with_what_the_file_holds(handoff):
    """All 300 codes and the form of a line are known to the guesser; only the salts are not."""
    said = proof.build(handoff, SHOWN)
    given = {one for line in said["lines"] for one in line["hashes"]}
    salts = [bytes(0), bytes(16), *(bytes.fromhex(line["salt"]) for line in said["lines"])]
    lines = [canon.text({"t": tube, "role": "subj"}).encode() for tube in TUBES]
    guesses = {canon.leaf(salt + line).hex() for salt in salts for line in lines}
    assert not given & guesses
    # with its salt, each would be found: the guess is of the right form
    event = Event.objects.get(event_id=handoff)
    right = {canon.leaf(tree.line_salt(bytes(event.salt), n) + line).hex() for n, line in enumerate(lines)}
    assert len(given & right) > 10
    # and the salt of one line does not give that of its neighbour
    assert hashlib.sha256(salts[3]).digest()[:16] not in {
        tree.line_salt(bytes(event.salt), n) for n in range(300)
    }


def test_all_lines_are_shown_when_none_are_named(checker, handoff):
    said = proof.build(handoff)
    assert [canon.read(line["text"])["t"] for line in said["lines"]] == TUBES
    assert holds(checker, said)


def test_an_event_without_lines_and_the_only_event_of_a_ledger(checker, say, drawn):
    of = say("thawed", "T1", 3).id
    void = say("voided", [], 4, data={"of": of, "reason": "did_not_occur"})
    assert holds(checker, proof.build(void.id)) and proof.build(void.id)["lines"] == []
    assert holds(checker, proof.build(str(0)))


def test_only_lines_of_the_event_can_be_asked_for(handoff):
    with pytest.raises(Refused) as no:
        proof.build(handoff, [TUBES[0], "K7R999X"])
    assert (no.value.code, no.value.tube) == ("tube_not_in_event", "K7R999X")
    for unknown in (new_id(), "77", "hello"):
        with pytest.raises(Refused) as no:
            proof.build(unknown)
        assert no.value.code == "event_unknown"


def test_a_held_checkpoint_that_is_newer_is_refused(handoff):
    with pytest.raises(Refused) as no:
        proof.build(handoff, None, [note.Checkpoint("x", 400, bytes(32))])
    assert no.value.code == "checkpoint_newer"


# --- every tampering --------------------------------------------------------------------------------------


def places(said: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where every text and number in the file stands."""
    if isinstance(said, dict):
        return [one for name, inner in said.items() for one in places(inner, (*path, name))]
    if isinstance(said, list):
        return [one for n, inner in enumerate(said) for one in places(inner, (*path, n))]
    return [path]


def put(said: Any, path: tuple[Any, ...], value: Any) -> Any:
    changed = copy.deepcopy(said)
    at = changed
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    return changed


def get(said: Any, path: tuple[Any, ...]) -> Any:
    for step in path:
        said = said[step]
    return said


@pytest.fixture
def small(say) -> dict[str, Any]:
    """Two of nine lines, under a checkpoint of seven events."""
    tubes = [f"T{n}" for n in range(9)]
    say("label_printed", tubes, 0, role="new")
    say("drawn", tubes, 1, ul=1_000)
    done = say("handed_off", tubes, 2, data={"to": "NLB", "how": "hand"})
    for minute in range(3, 7):
        say("thawed", "T0", minute)
    return proof.build(done.id, ["T2", "T8"])


def test_every_changed_value_in_a_proof_file_is_refused(checker, small):
    assert holds(checker, small)
    for path in places(small):
        value = get(small, path)
        others = [value + 1, value - 1, True, str(value)] if isinstance(value, int) else []
        if isinstance(value, str):
            turned = ["0" if one != "0" else "1" for one in value]
            marks = sorted({0, len(value) // 2, len(value) - 1})
            others = [value[:at] + turned[at] + value[at + 1 :] for at in marks]
            others += [value + "0", value[:-1], "", None, 7]
        for other in others:
            assert not holds(checker, put(small, path, other)), (path, other)


def test_lines_and_hashes_that_are_moved_are_refused(checker, small):
    first, second = small["lines"]
    for lines in (
        [first, first],
        [first | {"n": second["n"]}, second],
        [first | {"salt": second["salt"]}, second],
    ):
        assert not holds(checker, put(small, ("lines",), lines))
    for path in (("log", "hashes"), ("lines", 0, "hashes")):
        good = get(small, path)
        for wrong in (good[::-1], good[1:], good[:-1], [*good, good[0]], []):
            assert not holds(checker, put(small, path, wrong))


def test_salt_and_text_cannot_be_shifted_into_each_other(checker):
    """They are hashed one after the other: the salt's length is what keeps them apart."""
    salt, text = b"fifteen letters ", '{"t":"T1"}'
    said = {"n": 1, "root": canon.leaf(salt + text.encode()).hex()}
    line = {"n": 0, "salt": salt.hex(), "text": text, "hashes": []}
    assert checker.check_lines([line], said) == {0: {"t": "T1"}}
    with pytest.raises(checker.NotProven, match="16 bytes"):
        checker.check_lines([line | {"salt": salt[:15].hex(), "text": " " + text}], said)


@pytest.mark.parametrize("name", ["login", "via"])
def test_an_entry_with_a_line_end_is_refused_even_when_it_was_signed(checker, small, name):
    event = small["event"] | {name: "labtech\nx"}
    header = hashlib.sha256(event["header"].encode()).hexdigest()
    entry = f"{event['recorded_ms']}\n{event['login']}\n{header}\n{event['via']}"
    said = small | {"event": event, "log": {"index": 0, "hashes": []}}
    with pytest.raises(checker.NotProven, match="line end"):
        checker.check_event(said, 1, canon.leaf(entry.encode()))


def test_a_name_that_stands_twice_is_refused(checker, small):
    text = proof.text(small)
    assert checker.strict_json(text) == small
    with pytest.raises(checker.Unreadable, match="twice"):
        checker.strict_json(text.replace('"via"', '"login": "labtech", "via"'))


@pytest.mark.parametrize("signers", ["thief", "old"])
def test_a_thief_cannot_name_himself_the_successor(checker, small, signers):
    """Both keys sign their change; else what the new one signs is worth nothing."""
    old, thief = keys.secret(), keys.new_key("thief")
    text = note.parts(small["log"]["checkpoint"])[0].replace(old.name, thief.name)
    small["log"]["checkpoint"] = note.sign(text, thief)
    change = keys.change_text(old.public, thief.public, 7)
    small["key_changes"] = [note.sign(change, {"thief": thief, "old": old}[signers])]
    with pytest.raises(checker.NotProven, match="not signed by both keys"):
        checker.check(small, [checker.read_key(old.public.text())])
    small["key_changes"] = [note.sign(change, old, thief)]
    assert holds(checker, small)


def test_a_checkpoint_from_before_the_log_began_again_is_of_another_ledger(checker, small):
    old, held = keys.secret().public.text(), small["log"]["checkpoint"]
    checkpoints.change_key(new_origin=True)
    said = small | {"key_changes": keys.changes()}
    other = note.Checkpoint(keys.secret().name, 7, note.checkpoint(note.parts(held)[0]).root)
    said["log"] = small["log"] | {"checkpoint": note.sign(other.text(), keys.secret())}
    with pytest.raises(checker.NotProven, match="of another ledger"):
        checker.check(said, [checker.read_key(old)], [held])


# --- commands ---------------------------------------------------------------------------------------------


def test_the_command_writes_a_file_that_the_checker_takes(alone, handoff, tmp_path):
    path, out = tmp_path / "a.json", StringIO()
    call_command("custody_proof", handoff, "--lines", *SHOWN, "--out", str(path), stdout=out)
    assert "shows 20 lines of event 2" in out.getvalue() and keys.secret().public.text() in out.getvalue()
    assert checked(alone, path.read_text(encoding="utf-8")).returncode == 0
    assert len(json.loads(path.read_text(encoding="utf-8"))["lines"]) == 20


def test_the_command_takes_a_number_and_a_held_checkpoint(alone, handoff, say, tmp_path):
    kept, path = tmp_path / "kept.txt", tmp_path / "a.json"
    kept.write_text(checkpoints.make("on demand").note, encoding="utf-8")
    say("thawed", TUBES[0], 5)
    checkpoints.make("on demand")
    call_command("custody_proof", "2", "--held", str(kept), "--out", str(path), stdout=StringIO())
    assert (
        checked(alone, path.read_text(encoding="utf-8"), None, kept.read_text(encoding="utf-8")).returncode
        == 0
    )


@pytest.mark.parametrize("words", [["77"], ["2", "--lines", "K7R999X"], ["2", "--held", "absent.txt"]])
def test_the_command_ends_with_a_sentence(handoff, words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CommandError):
        call_command("custody_proof", *words)
    assert list(tmp_path.iterdir()) == []
