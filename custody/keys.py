"""The key that signs checkpoints, in files beside the database, never in it.

Promises: the secret is made once, readable by its owner alone (0600), in a folder that backup programs skip
when they are told to skip caches; a new key is signed by the old one; the newest checkpoint that was ever
signed is kept here, so that the log of an old backup is not signed on by mistake.

Beside the key file K: K.newest, the newest checkpoint; K.change-0001 and so on, one note for each change.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

from custody.core import note

TAG = (
    "Signature: 8a477f597d28d172789f06886806bc55\n"
    "# Not a cache, but tagged as one: the key in this folder must not come into a backup by accident.\n"
    "# Who has a backup could sign a false history. Without the key, a new one is made and said to be new.\n"
)


def path() -> Path:
    return Path(settings.CHECKPOINT_KEY_FILE)


def secret() -> note.SecretKey:
    """The key that signs now; made when there is none. ImproperlyConfigured with a sentence otherwise."""
    file = path()
    if not file.exists():
        _make_folder(file.parent)
        _keep(file, new_key().text() + "\n", first_wins=True)
    _check_mode(file)
    try:
        return note.secret(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as why:
        raise ImproperlyConfigured(f"{file} cannot be read as the key for checkpoints.") from why


def new_key(origin: str = "") -> note.SecretKey:
    """A key that nobody knows. The name is the log's origin, by itself unlike any other log's."""
    name = origin or settings.CHECKPOINT_ORIGIN or f"tube-to-freezer/{secrets.token_hex(4)}"
    return note.SecretKey(name, secrets.token_bytes(32))


def changes() -> list[str]:
    """The notes by which one key gave way to the next, oldest first."""
    return [one.read_text(encoding="utf-8") for one in _change_files()]


def public_keys() -> list[note.PublicKey]:
    """Every key that this log ever signed with, oldest first, the present one last."""
    return [change_of(one)[0] for one in changes()] + [secret().public]


def change(*, new_origin: bool = False, size: int) -> note.SecretKey:
    """Sign a new key with the old one, then put it in the old one's place; the old secret is gone.

    new_origin  the history goes on from a restored backup, so this is another log with another name
    """
    old = secret()
    other = new_key("" if new_origin else old.name)
    if new_origin and other.name == old.name:
        other = new_key(f"{old.name}-{secrets.token_hex(2)}")
    said = change_text(old.public, other.public, size)
    _keep(
        path().with_name(f"{path().name}.change-{len(_change_files()) + 1:04}"), note.sign(said, old, other)
    )
    _keep(path(), other.text() + "\n")
    if new_origin:
        forget_newest()
    return other


def change_text(old: note.PublicKey, new: note.PublicKey, size: int) -> str:
    """Not a checkpoint: the second line of one is a number."""
    return f"{old.name}\nold key {old.text()}\nnew key {new.text()}\nfrom size {size}\n"


def change_of(signed: str) -> tuple[note.PublicKey, note.PublicKey]:
    """The old and the new key of a change, signed by both. ValueError otherwise."""
    text, _ = note.parts(signed)
    lines = text.split("\n")
    if len(lines) != 5 or not lines[1].startswith("old key ") or not lines[2].startswith("new key "):
        raise ValueError("This note does not say that a key was changed.")
    old, new = note.public(lines[1][8:]), note.public(lines[2][8:])
    if len(note.opened(signed, [old, new])[1]) != 2 or old == new:
        raise ValueError("The old and the new key must both sign their change.")
    return old, new


def followed(trusted: Iterable[note.PublicKey], signed: Iterable[str]) -> list[note.PublicKey]:
    """The trusted keys and those that they, or their successors, named as their successors."""
    found = list(trusted)
    for one in signed:
        old, new = change_of(one)
        if old in found and new not in found:
            found.append(new)
    return found


def newest() -> str:
    """The newest checkpoint that was signed here, or nothing."""
    with suppress(FileNotFoundError):
        return _newest_file().read_text(encoding="utf-8")
    return ""


def keep_newest(signed: str) -> None:
    _keep(_newest_file(), signed)


def forget_newest() -> None:
    """The log begins anew on purpose, so the old one's end is no measure any more."""
    _newest_file().unlink(missing_ok=True)


def forget() -> None:
    """Remove the key and all beside it: for a demo that starts over."""
    for one in [path(), _newest_file(), *_change_files()]:
        one.unlink(missing_ok=True)


def _newest_file() -> Path:
    return path().with_name(f"{path().name}.newest")


def _change_files() -> list[Path]:
    return sorted(path().parent.glob(f"{path().name}.change-*"))


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not any(folder.iterdir()):  # ours alone; a folder that holds other things is not tagged
            _keep(folder / "CACHEDIR.TAG", TAG)
    except OSError as why:
        raise ImproperlyConfigured(f"{folder}, the folder of the checkpoint key, cannot be made.") from why


def _check_mode(file: Path) -> None:
    if os.name == "posix" and file.stat().st_mode & 0o077:
        raise ImproperlyConfigured(f"{file} can be read by others. It must be yours alone: chmod 600.")


def _keep(file: Path, text: str, *, first_wins: bool = False) -> None:
    """Whole or not at all, even when the power fails; readable by its owner alone."""
    fresh = file.with_name(f".{file.name}.{secrets.token_hex(6)}")
    try:
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        if first_wins:
            with suppress(FileExistsError):
                os.link(fresh, file)
        else:
            os.replace(fresh, file)
    finally:
        fresh.unlink(missing_ok=True)
