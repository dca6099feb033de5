"""Settings for tests: the real ones, with a cheap password hasher (it is most of the speed)."""

from biobank.settings import *  # noqa: F403

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STATIC_ROOT = None  # nothing is collected for tests; files are found where they are written
