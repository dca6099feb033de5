"""Run a management command, for example: `uv run manage.py demo`."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "biobank.settings")
    if sys.argv[1:2] == ["demo"]:
        os.environ["DEMO"] = "1"  # its own database file and a banner, so that it never meets real data
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as why:
        if "--traceback" in sys.argv:
            raise
        sys.exit(str(why))  # a wrong setting is a sentence, not forty lines of code


if __name__ == "__main__":
    main()
