"""A site of its own for browser tests: its own database file, filled by tests/people.py, on a free port.

Not pytest-django's live server: that one empties the tables after each test, and the ledger's
append-only triggers forbid emptying. Prints the port, then serves until it is ended.
Run as `python -m tests.browser.serve` with DATA_DIR naming an empty folder.
"""

from __future__ import annotations

import os
import sys

import django


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    fill()
    serve()


def fill() -> None:
    from django.core.management import call_command

    from tests import people as builders

    call_command("migrate", run_syncdb=True, verbosity=0)
    people = builders.make_people()
    builders.make_store(people)
    builders.drawn_set(people, animal=people.animal)


def serve() -> None:
    from waitress.server import create_server

    from biobank.wsgi import application

    server = create_server(application, host="127.0.0.1", port=0, threads=4)
    print(server.effective_port, flush=True)
    server.run()


if __name__ == "__main__":
    sys.exit(main())
