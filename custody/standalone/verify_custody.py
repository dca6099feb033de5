"""Check a proof of custody without the ledger, its database or its program.

    python verify_custody.py PROOF --key KEY [--held CHECKPOINT ...]

PROOF       the proof file that you were given
KEY         the ledger's public key, as text (name+number+key) or as a file that holds it. Get it by a way
            that you trust, not from whoever gave you the proof.
CHECKPOINT  a checkpoint of the same ledger that you have kept: a file, or a file with a QR code's text

Says in sentences what is proven and what is not. Ends with 0 when the proof holds, 1 when it does not, 2 when
something cannot be read. This one file and the package `cryptography` (for one signature check) are all it
needs; it opens no connection and writes nothing.

How it works. The ledger hashes every event into one tree (RFC 6962): SHA-256 of 0x00 and the event's entry
is a leaf, SHA-256 of 0x01 and two neighbours is what stands above them, and so on up to one root. A
checkpoint is the root with the number of events, signed (C2SP signed-note, tlog-checkpoint). So the
neighbours on the way up show that an event is in the tree that was signed. The event's header names the root
of a second tree, over its lines; 16 secret bytes ahead of each line keep the others from being guessed.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import re
import sys
from datetime import datetime, timezone

FORM = "custody-proof 1"


class NotProven(Exception):
    """The proof does not hold; the sentence says where."""


class Unreadable(Exception):
    """A file is not what it should be; the sentence says how."""


# --- hashing ----------------------------------------------------------------------------------------------


def leaf(data):
    return hashlib.sha256(b"\x00" + data).digest()


def node(left, right):
    return hashlib.sha256(b"\x01" + left + right).digest()


def root_of_path(index, size, hashed, path):
    """The root to which this path leads from leaf `index` of `size` (RFC 6962 section 2.1.1)."""
    if not 0 <= index < size:
        raise NotProven(f"there is no place {index} among {size}")
    todo = list(path)

    def climb(start, stop):
        if stop - start == 1:
            return hashed
        if not todo:
            raise NotProven("a path has too few hashes")
        split = 1 << (stop - start - 1).bit_length() - 1
        other = todo.pop()  # the outermost neighbour stands last
        if index < start + split:
            return node(climb(start, start + split), other)
        return node(other, climb(start + split, stop))

    found = climb(0, size)
    if todo:
        raise NotProven("a path has too many hashes")
    return found


def roots_of_consistency(old, size, old_root, path):
    """Both roots that follow from a consistency proof (RFC 6962 section 2.1.2)."""
    todo = list(path)

    def take():
        if not todo:
            raise NotProven("a path has too few hashes")
        return todo.pop()

    def climb(start, stop, whole):
        """(root over the old leaves here, root over all leaves here)"""
        if old == stop:
            same = old_root if whole else take()
            return same, same
        split = 1 << (stop - start - 1).bit_length() - 1
        other = take()
        if old <= start + split:
            before, after = climb(start, start + split, whole)
            return before, node(after, other)
        before, after = climb(start + split, stop, False)
        return node(other, before), node(other, after)

    if old == 0:  # the empty ledger is the beginning of every ledger; a path from it says nothing
        raise NotProven("a checkpoint over no events holds nobody to anything")
    found = climb(0, size, True)
    if todo:
        raise NotProven("a path has too many hashes")
    return found


# --- keys, notes, checkpoints -----------------------------------------------------------------------------


def from_base64(text):
    try:
        raw = base64.b64decode(text, validate=True)
    except ValueError:
        raise Unreadable("this is not base64") from None
    if base64.b64encode(raw).decode() != text:
        raise Unreadable("this is not base64")
    return raw


def read_key(text):
    """(name, key id, 32 bytes) of a public key."""
    name, _, rest = text.strip().partition("+")
    said, _, kept = rest.partition("+")
    raw = from_base64(kept)
    if not name or len(raw) != 33 or raw[0] != 1:
        raise Unreadable("this is not an Ed25519 key of the form name+number+key")
    number = hashlib.sha256(name.encode() + b"\n" + raw).digest()[:4]
    if number.hex() != said:
        raise Unreadable("the number in this key does not fit the key")
    return name, number, raw[1:]


def is_signed(key, text, signature):
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(key[2]).verify(signature, text.encode())
    except InvalidSignature:
        return False
    return True


def signers(note, keys):
    """(text, those of the keys that have signed it). A wrong signature of one of them spoils all."""
    text, gap, below = note.rpartition("\n\n")
    text += "\n"
    if not gap or not below.endswith("\n"):
        raise Unreadable("a note has no signatures")
    found = []
    for line in below[:-1].split("\n"):
        fits = re.fullmatch(r"— (\S+) (\S+)", line)
        if not fits:
            raise Unreadable("a line under a note is not a signature")
        raw = from_base64(fits[2])
        for key in keys:
            if (key[0], key[1]) == (fits[1], raw[:4]):
                if not is_signed(key, text, raw[4:]):
                    raise NotProven(f"the signature of {key[0]} does not fit the text above it")
                found.append(key)
    return text, found


def read_checkpoint(note, keys):
    """(origin, size, root) of a checkpoint that one of the keys has signed."""
    text, by = signers(note, keys)
    if not by:
        raise NotProven("none of the keys that you trust has signed this checkpoint")
    lines = text.split("\n")
    if len(lines) != 4 or not re.fullmatch(r"0|[1-9][0-9]{0,15}", lines[1]):
        raise Unreadable("a checkpoint is not origin, size and root")
    root = from_base64(lines[2])
    if len(root) != 32 or lines[0] not in {key[0] for key in by}:
        raise NotProven("the checkpoint is not one of the log whose key has signed it")
    return lines[0], int(lines[1]), root


def follow(keys, changes):
    """The keys that you trust and their successors: each change is signed by the old and the new key."""
    found = list(keys)
    for note in changes:
        lines = note.split("\n")
        if len(lines) < 5 or not lines[1].startswith("old key ") or not lines[2].startswith("new key "):
            raise Unreadable("a change of keys cannot be read")
        old, new = read_key(lines[1][8:]), read_key(lines[2][8:])
        if old in found and new not in found:
            if len(set(signers(note, [old, new])[1])) != 2:
                raise NotProven("a change of keys is not signed by both keys")
            found.append(new)
    return found


def expand(short, keys):
    """The text of a checkpoint's QR code (CKPT1: and base45, RFC 9285) as a note."""
    letters, raw = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:", b""
    short = short.strip("\r\n")[6:]
    try:
        for at in range(0, len(short), 3):
            number = sum(letters.index(one) * 45**place for place, one in enumerate(short[at : at + 3]))
            raw += number.to_bytes(len(short[at : at + 3]) - 1, "big")
    except (ValueError, OverflowError):
        raise Unreadable("this is not the text of a checkpoint's QR code") from None
    for name, number, _ in keys:
        if len(raw) == 108 and raw[:4] == number:
            lines = [name, str(int.from_bytes(raw[4:12], "big")), base64.b64encode(raw[12:44]).decode()]
            return "\n".join(lines) + f"\n\n— {name} {base64.b64encode(raw[:4] + raw[44:]).decode()}\n"
    raise NotProven("the QR code is of no key that you trust")


# --- the proof ----------------------------------------------------------------------------------------------


def strict_json(text):
    """JSON without repeated names: two readers must not see two things."""

    def once(pairs):
        if len({name for name, _ in pairs}) != len(pairs):
            raise Unreadable("a name stands twice in one object")
        return dict(pairs)

    try:
        return json.loads(text, object_pairs_hook=once)
    except (ValueError, RecursionError):
        raise Unreadable("this is not JSON") from None


def hashes(texts):
    found = [bytes.fromhex(one) for one in texts]
    if any(len(one) != 32 for one in found):
        raise NotProven("a hash has not 32 bytes")
    return found


def check(proof, keys, held=()):
    """What the proof shows: a dictionary for `sentences`. Raises NotProven or Unreadable."""
    if not isinstance(proof, dict) or proof.get("form") != FORM:
        raise Unreadable(f"this is not a proof of the form {FORM!r}")
    trusted = follow(keys, proof["key_changes"])
    origin, size, root = read_checkpoint(proof["log"]["checkpoint"], trusted)
    header = check_event(proof, size, root)
    return {
        "origin": origin, "size": size, "root": root, "event": proof["event"], "header": header,
        "index": proof["log"]["index"], "lines": check_lines(proof["lines"], header["lines"]),
        "held": [check_held(one, trusted, proof, (origin, size, root)) for one in held],
        "followed": len(trusted) > len(keys),
    }  # fmt: skip


def check_event(proof, size, root):
    """The header of the event, once it is sure that its entry is in the tree."""
    said, index = proof["event"], proof["log"]["index"]
    if type(said["recorded_ms"]) is not int or type(index) is not int:
        raise Unreadable("a number is not a number")
    if "\n" in said["login"] + said["via"]:
        raise NotProven("the login or the way it came holds a line end")
    body = hashlib.sha256(said["header"].encode()).hexdigest()
    entry = f"{said['recorded_ms']}\n{said['login']}\n{body}\n{said['via']}"
    if root_of_path(index, size, leaf(entry.encode()), hashes(proof["log"]["hashes"])) != root:
        raise NotProven("this event is not in the ledger that the checkpoint was signed over")
    header = strict_json(said["header"])
    if header["v"] != 1:
        raise Unreadable("the event is of a later version; this checker reads version 1")
    return header


def check_lines(shown, said):
    """The lines that are shown, each found in the tree whose root the header names."""
    found = {}
    for line in shown:
        salt = bytes.fromhex(line["salt"])
        if len(salt) != 16 or type(line["n"]) is not int or line["n"] in found:
            raise NotProven("a line is shown twice, or its salt has not 16 bytes")
        hashed = leaf(salt + line["text"].encode())
        if root_of_path(line["n"], said["n"], hashed, hashes(line["hashes"])).hex() != said["root"]:
            raise NotProven(f"line {line['n']} is not a line of this event")
        found[line["n"]] = strict_json(line["text"])
    return found


def check_held(text, keys, proof, now):
    """The size of a checkpoint that you kept, once it is sure that the ledger continues it."""
    origin, size, root = read_checkpoint(expand(text, keys) if text.startswith("CKPT1:") else text, keys)
    if origin != now[0]:
        raise NotProven(f"the checkpoint that you hold is of another ledger, {plain(origin)}")
    if size > now[1]:
        raise NotProven("the checkpoint that you hold is newer than this proof: ask for a new proof")
    if size == now[1] and root != now[2]:
        raise NotProven(
            f"TWO HISTORIES of {size} events are signed, the one that you hold and the one of this proof. "
            "Keep both files; together they are the evidence"
        )
    ways = [one["hashes"] for one in proof["held"] if one["size"] == size]
    if size < now[1] and not ways:
        raise NotProven(
            f"the way from the checkpoint of {size} events that you hold is not in this proof: ask for it"
        )
    if size < now[1] and roots_of_consistency(size, now[1], root, hashes(ways[0])) != (root, now[2]):
        raise NotProven(
            f"this ledger does not begin with the {size} events of the checkpoint that you hold, or the proof"
            " is damaged. Keep your checkpoint and ask again; if it stays so, there are two histories"
        )
    return size


# --- sentences ----------------------------------------------------------------------------------------------


def plain(value):
    """As text that cannot play with the screen."""
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return "".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in text)


def when(ms):
    return datetime.fromtimestamp(ms / 1000, timezone.utc).isoformat(sep=" ", timespec="milliseconds")  # noqa: UP017 (older Pythons)


def sentences(found):
    """(what is proven, what is not)"""
    header, event, lines = found["header"], found["event"], found["lines"]
    many = header["lines"]["n"]
    said = ", ".join(f"{plain(name)} {plain(value)}" for name, value in sorted(header["data"].items()))
    proven = [
        f"The ledger {plain(found['origin'])} held {found['size']} events when this checkpoint was signed; "
        f"its root is {found['root'].hex()}.",
        f"Its event {found['index']} is this and no other: {plain(header['kind'])}"
        f"{' (' + said + ')' if said else ''}, said to have happened at {when(header['at'])}, done by "
        f"{plain(header['by'])} of {plain(header['org'])}, typed by {plain(header['rec_by'])}; its id is "
        f"{plain(header['id'])}" + (f", it answers {plain(header['ref'])}." if "ref" in header else "."),
        f"It was recorded at {when(event['recorded_ms'])} by the ledger's own clock, under the login "
        f"{plain(event['login'])}, and came by {plain(event['via'])}.",
        f"{len(lines)} of its {many} lines are shown, word for word as they were written:",
        *(f"   line {n}: {plain(line)}" for n, line in sorted(lines.items())),
    ]
    proven += [
        f"The ledger of {size} events that you hold is the unchanged beginning of this one."
        for size in found["held"]
    ]
    if found["followed"]:
        proven.append(
            "The key was changed since the one that you trust; each change was signed by the old key."
        )
    return proven, doubts(found, many - len(lines))


def doubts(found, hidden):
    """What no proof of this kind can show, and what this one does not show."""
    said = [
        "That what was written is true. It is only sure that this was written, and not changed since.",
        "That no later event voided or corrected this one. Ask for the tube's later events.",
        "That the clocks were right. It was written before you got this checkpoint; how long before is the "
        "ledger's word.",
        "That others are shown the same history. Compare size and root with a checkpoint that somebody else "
        "holds.",
    ]
    if hidden:
        said.append(f"Anything about the {hidden} lines that are not shown.")
    if not found["held"]:
        said.append(
            "That this ledger continues one that you saw before. If you kept a checkpoint, check with --held."
        )
    return said


def read_file(path):
    try:
        with open(path, encoding="utf-8", newline="") as file:
            return file.read()
    except (OSError, UnicodeDecodeError):
        raise Unreadable(f"{path} cannot be read") from None


def main(words=None):
    ask = argparse.ArgumentParser(
        description="Check a proof of custody. It says what is proven and what is not."
    )
    ask.add_argument("proof")
    ask.add_argument("--key", required=True, help="the ledger's public key, as text or as a file")
    ask.add_argument("--held", nargs="*", default=[], help="checkpoints that you have kept")
    said = ask.parse_args(words)
    try:
        key = read_key(said.key if "+" in said.key else read_file(said.key))
        held = [read_file(path) for path in said.held]
        found = check(strict_json(read_file(said.proof)), [key], held)
        proven, not_proven = sentences(found)
    except NotProven as why:
        print(f"NOT PROVEN: {why}.")
        return 1
    except Unreadable as why:
        print(f"CANNOT BE READ: {why}.")
        return 2
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, OSError) as why:
        print(f"CANNOT BE READ: the proof is not of the form {FORM!r} ({type(why).__name__}).")
        return 2
    said = ["PROVEN", *(f" - {one}" for one in proven)]
    print("\n".join([*said, "NOT PROVEN BY THIS", *(f" - {one}" for one in not_proven)]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
