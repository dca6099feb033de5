"""Every tampering of table 3.6 of our study of ledgers, and what finds it; the two that nothing finds.

The one who tampers owns the database: takes the triggers away, changes what is stored and makes all hashes,
tiles, own checkpoints and states agree again. What he does not have is what others kept.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from custody import checkpoints, keys, proof, witness
from custody import verify as verifying
from custody.core import canon, note, tree
from custody.core.event import new_id
from custody.models import Checkpoint, Event, Head, Line, Tile
from custody.rebuild import rebuild
from custody.tiles import Stored
from custody.verify import Report, verify
from tests.custody.test_tamper import flipped, unguarded

AT = (5, 12, 19)  # sizes of the checkpoints that are kept outside
SIZE = 20
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def held(say, tmp_path) -> list[Path]:
    """Twenty events, and three checkpoints that a partner has kept as files."""
    say("label_printed", ["T1", "T2"], 0, role="new")
    say("drawn", ["T1", "T2"], 1, ul=1_000)
    files = []
    for n in range(2, SIZE):
        say("thawed", "T1" if n % 2 else "T2", n)
        if n + 1 in AT:
            files.append(tmp_path / f"kept-{n + 1}.txt")
            files[-1].write_text(checkpoints.make("on demand").note, encoding="utf-8")
    assert against(files).wrong == []
    return files


def against(files: Iterable[Path]) -> Report:
    return verify([witness.from_file(path, keys.public_keys()) for path in files])


# --- what the owner of a database can do ----------------------------------------------------------------


def rehash() -> None:
    """Make every number, hash, tile, own checkpoint and the copy beside the key agree with the events."""
    for seq, event in enumerate(Event.objects.order_by("seq")):
        leaf = canon.leaf(tree.entry(event.recorded_ms, event.login, event.body, event.via))
        Event.objects.filter(pk=event.pk).update(seq=seq, leaf=leaf)
    size = Event.objects.count()
    newest = Event.objects.order_by("-seq").first()
    Head.objects.update(size=size, recorded_ms=newest.recorded_ms)
    Tile.objects.all().delete()
    Checkpoint.objects.filter(size__gt=size).delete()
    for row in Checkpoint.objects.all():
        root = Stored().part(0, row.size)
        said = note.Checkpoint(keys.secret().name, row.size, root)
        signed = note.sign(said.text(), keys.secret())  # as if the key was stolen too
        Checkpoint.objects.filter(pk=row.pk).update(root=root, note=signed)
    if last := Checkpoint.objects.order_by("-size").first():
        keys.keep_newest(last.note)


def rewrite(number: int, **columns: object) -> None:
    Event.objects.filter(seq=number).update(**columns)


def remove(seq: int) -> None:
    Line.objects.filter(event__seq=seq).delete()
    Event.objects.filter(seq=seq).delete()


def other_text(seq: int) -> dict[str, object]:
    """The same event, said to have happened a millisecond later, with its column."""
    event = Event.objects.get(seq=seq)
    body = canon.read(event.body)
    return {"at_ms": event.at_ms + 1, "body": canon.text(body | {"at": body["at"] + 1})}


def edit_text() -> None:
    rewrite(9, body=flipped(Event.objects.get(seq=9).body))


def edit_text_and_leaf() -> None:
    """The event agrees with itself afterwards; the checkpoints in the database are left as they are."""
    changed = other_text(9)
    event = Event.objects.get(seq=9)
    leaf = canon.leaf(tree.entry(event.recorded_ms, event.login, str(changed["body"]), event.via))
    rewrite(9, leaf=leaf, **changed)


def delete_one() -> None:
    remove(9)


def delete_and_rehash() -> None:
    remove(9)
    rehash()


def slip_in() -> None:
    """A backdated event at number 9, all later ones one further on."""
    for event in Event.objects.filter(seq__gte=9).order_by("-seq"):
        rewrite(event.seq, seq=event.seq + 1)
    model = Event.objects.get(seq=8)
    key, salt = new_id(), bytes(16)
    text = canon.text({"t": "T1", "role": "subj"})
    said = canon.read(model.body) | {
        "id": key,
        "lines": {"n": 1, "root": tree.lines_root(salt, [text]).hex()},
    }
    model.event_id, model.seq, model.body, model.salt = key, 9, canon.text(said), salt
    model.save(force_insert=True)
    Line.objects.create(event_id=key, n=0, what="t", subject="T1", text=text)
    rehash()


def time_back() -> None:
    """A recorded time before its neighbour's: nothing else is changed, all hashes fit."""
    rewrite(3, recorded_ms=Event.objects.get(seq=2).recorded_ms - 1)
    rehash()


def cut_below() -> None:
    for seq in range(SIZE - 1, 14, -1):
        remove(seq)
    rehash()


def edit_after() -> None:
    rewrite(SIZE - 1, **other_text(SIZE - 1))
    rehash()


def cut_after() -> None:
    remove(SIZE - 1)
    rehash()


def rewrite_all() -> None:
    for seq in range(SIZE):
        rewrite(seq, **other_text(seq))
    rehash()


@dataclass(frozen=True)
class Case:
    """A tampering; `itself`: words of what is found without help, `kept`: which kept checkpoints say no."""

    tamper: Callable[[], None]
    itself: str
    kept: tuple[int, ...]


TABLE = {
    "edit one text": Case(edit_text, "does not match its hash", (12, 19)),
    "edit text and leaf": Case(edit_text_and_leaf, "ledger's own checkpoint", (12, 19)),
    "delete one": Case(delete_one, "the log has a gap", (12, 19)),
    "delete, renumber, rehash all": Case(delete_and_rehash, "", (12, 19)),
    "slip in a backdated event, renumber, rehash all": Case(slip_in, "", (12, 19)),
    "move a recorded time back, rehash": Case(
        time_back, "recorded before the event ahead of it", (5, 12, 19)
    ),
    "cut the tail below a held checkpoint": Case(cut_below, "", (19,)),
}


@pytest.mark.parametrize("case", TABLE.values(), ids=TABLE)
def test_this_tampering_is_found_by_the_checkpoints_that_others_kept(held, case):
    with unguarded():
        case.tamper()
    alone = verify().wrong
    assert any(case.itself in said for said in alone) if case.itself else alone == []
    said = against(held).wrong
    for path, size in zip(held, AT, strict=True):
        assert any(one.startswith(path.name) for one in said) == (size in case.kept), said


@pytest.mark.parametrize("case", TABLE.values(), ids=TABLE)
def test_the_command_ends_with_an_error_for_each(held, case):
    with unguarded():
        case.tamper()
    with pytest.raises(CommandError, match="does not hold"):
        call_command("custody_verify", "--against", *map(str, held), stdout=StringIO(), stderr=StringIO())


# --- what nothing finds ------------------------------------------------------------------------------------


@pytest.mark.parametrize("tamper", [edit_after, cut_after])
def test_a_change_after_the_newest_checkpoint_that_others_kept_is_NOT_found(held, tamper):
    with unguarded():
        tamper()
    rebuild()
    assert against(held).wrong == []
    call_command("custody_verify", "--deep", "--against", *map(str, held), stdout=StringIO())


def test_a_rewrite_of_everything_is_NOT_found_when_nobody_outside_keeps_a_checkpoint(held):
    before = verify().root
    with unguarded():
        rewrite_all()
    rebuild()
    found = verify()
    assert found.wrong == [] and found.root != before
    call_command("custody_verify", "--deep", stdout=StringIO())
    assert len(against(held).wrong) == 3  # but one kept file is enough


def test_the_documents_say_both_plainly():
    text = re.sub(r"\s+", " ", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert "cut or edit after the newest checkpoint that somebody outside kept" in text
    assert "rewrite everything when nobody outside kept a checkpoint" in text
    assert text.count("**nothing finds it**") == 2
    for name in TABLE:
        assert f"| {name} |" in text, name


# --- one who has the database but not the folder of the key -----------------------------------------------


def test_the_newest_checkpoint_beside_the_key_is_a_witness_against_the_database(held):
    kept = keys.newest()
    with unguarded():
        rewrite_all()
    keys.keep_newest(kept)
    assert any("beside the key" in said for said in verify().wrong)


def test_without_the_key_own_checkpoints_cannot_be_made_to_fit(held):
    with unguarded():
        rewrite(9, **other_text(9))
        rehash()
        thief = keys.new_key(keys.secret().name)
        for row in Checkpoint.objects.all():
            text = note.parts(row.note)[0]
            Checkpoint.objects.filter(pk=row.pk).update(note=note.sign(text, thief))
    assert verify().wrong == []
    with pytest.raises(CommandError):
        call_command("custody_verify", "--deep", stdout=StringIO(), stderr=StringIO())


# --- what is brought ------------------------------------------------------------------------------------


def test_a_kept_checkpoint_may_be_a_file_a_qr_text_or_inside_a_proof(held, tmp_path):
    event = str(Event.objects.get(seq=3).event_id)
    files = {"qr.txt": checkpoints.newest().short, "a.proof.json": proof.text(proof.build(event))}
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    out = StringIO()
    call_command("custody_verify", "--against", *(str(tmp_path / name) for name in files), stdout=out)
    assert all(f"Agrees: {name}" in out.getvalue() for name in files)
    with unguarded():
        delete_and_rehash()
    assert len(against(tmp_path / name for name in files).wrong) == 2


def test_a_checkpoint_of_another_key_is_not_believed_and_said_so(held, tmp_path):
    """It may be forged, or of the key that was here before somebody exchanged it: either way it is told."""
    root = Stored().part(0, 12)
    own = keys.secret()
    for name, key, origin, words in [
        ("stranger", keys.new_key("stranger"), "stranger", "None of the known keys"),
        ("same-name", keys.new_key(own.name), own.name, "None of the known keys"),
        ("other-log", own, "other.example/log", "another log"),
    ]:
        path = tmp_path / name
        path.write_text(note.sign(note.Checkpoint(origin, 12, root).text(), key), encoding="utf-8")
        [said] = against([path]).wrong
        assert said.startswith(name) and words in said


def test_a_changed_file_is_not_believed(held):
    path = held[1]
    path.write_text(path.read_text(encoding="utf-8").replace("\n12\n", "\n11\n"), encoding="utf-8")
    assert any("does not fit" in said for said in against([path]).wrong)


@pytest.mark.parametrize("text", ["", "hello", "{}", "[]", '{"log": {}}', '{"log": 3}', "CKPT1:AB", "\n\n"])
def test_a_file_that_is_no_checkpoint_ends_with_a_sentence(held, tmp_path, text):
    path = tmp_path / "x"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CommandError, match="cannot be read as a checkpoint"):
        call_command("custody_verify", "--against", str(path))
    with pytest.raises(CommandError, match="cannot be read as a checkpoint"):
        call_command("custody_verify", "--against", str(tmp_path / "absent"))


def test_two_servers_with_one_key_are_found_by_whoever_has_both_checkpoints(held, say):
    """A fork: the same key signs another history of the same size (a stolen key, or a copied disk image)."""
    there = checkpoints.make("on demand")
    other = note.sign(note.Checkpoint(keys.secret().name, there.size, bytes(32)).text(), keys.secret())
    held[0].write_text(other, encoding="utf-8")
    assert any("are not those that it was signed over" in said for said in against(held).wrong)


def test_a_clean_run_names_what_agreed_and_says_when_nobody_was_asked(held):
    out = StringIO()
    call_command("custody_verify", "--against", *map(str, held), stdout=out)
    assert "3 checkpoints of its own agree" in out.getvalue()
    assert all(f"Agrees: {path.name}" in out.getvalue() for path in held)
    out = StringIO()
    call_command("custody_verify", stdout=out)
    assert "Nobody outside was asked" in out.getvalue()


def test_deep_also_folds_every_tube_anew(held):
    with connection.cursor() as cursor:
        cursor.execute("UPDATE custody_tubestate SET thaws = 40 WHERE tube = 'T1'")
    call_command("custody_verify", stdout=StringIO())
    with pytest.raises(CommandError):
        call_command("custody_verify", "--deep", stdout=StringIO(), stderr=StringIO())


def test_a_line_end_in_the_login_is_named_and_does_not_stop_the_check(held):
    with unguarded():
        rewrite(4, login="labtech\nx")
    assert any("line end" in said for said in verify().wrong)


def test_a_time_that_goes_back_from_one_stretch_to_the_next_is_named(held, monkeypatch):
    monkeypatch.setattr(verifying, "STRETCH", 5)
    early = Event.objects.get(seq=4).recorded_ms - 1
    with unguarded():
        rewrite(5, recorded_ms=early)
        rehash()
    assert any("event 5 " in one and verifying.BACK in one for one in verify().wrong)


def test_a_checkpoint_inside_a_tile_is_compared_there(held, monkeypatch):
    """Three checkpoints are held, over 5, 12 and 19 events; the tiles of this check hold four."""
    monkeypatch.setattr(tree, "TILE", 4)
    monkeypatch.setattr(verifying, "STRETCH", 8)

    def said(*witnesses):  # the hashes that are kept are those of larger tiles
        return [one for one in verify(witnesses).wrong if not one.startswith("kept hash")]

    assert said(*(witness.from_file(one, keys.public_keys()) for one in held)) == []
    false = witness.Witness("a partner", 5, bytes(32))
    assert said(false) == ["a partner: the first 5 events are not those that it was signed over"]


def test_a_header_that_counts_more_lines_than_it_has_is_named_though_all_hashes_fit(held):
    body = Event.objects.get(seq=3).body
    assert body.count('"lines":{"n":1,') == 1
    with unguarded():
        rewrite(3, body=body.replace('"lines":{"n":1,', '"lines":{"n":2,'))
        rehash()
    assert any("2 lines were written, 1 are there" in one for one in verify().wrong)
