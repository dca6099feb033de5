"""Every setting, read from the environment. DEVELOPERS.md lists the names; a test compares."""

from __future__ import annotations

from pathlib import Path

import dj_database_url
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured

from biobank import env

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = env.folder("DATA_DIR", BASE_DIR / "var")

SITE_NAME = env.text("SITE_NAME", "Tube to Freezer")
DEMO = env.boolean("DEMO")
DEBUG = env.boolean("DEBUG")
HTTPS = env.boolean("HTTPS")
SECRET_KEY = env.secret("SECRET_KEY", DATA_DIR / "secret_key")
CHECKPOINT_KEY_FILE = Path(
    env.text("CHECKPOINT_KEY_FILE") or DATA_DIR / "keys" / ("demo" if DEMO else "ledger")
)
CHECKPOINT_ORIGIN = env.name("CHECKPOINT_ORIGIN")
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = env.words("CSRF_TRUSTED_ORIGINS")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "simple_history",
    "csp",
    "custody",
    "biobank",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "simple_history.middleware.HistoryRequestMiddleware",
]

ROOT_URLCONF = "biobank.urls"
WSGI_APPLICATION = "biobank.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "biobank.context.site",
            ],
            "builtins": ["biobank.templatetags.words"],
        },
    },
]


def database() -> dict[str, object]:
    """The database that DATABASE_URL names; SQLite in DATA_DIR without it.

    SQLite: IMMEDIATE makes writers queue instead of failing with 'locked'; WAL lets readers go on.
    """
    url = (
        env.text("DATABASE_URL") or f"sqlite:///{DATA_DIR / ('demo.sqlite3' if DEMO else 'biobank.sqlite3')}"
    )
    try:
        found = dict(dj_database_url.parse(url))
    except (ValueError, KeyError) as why:
        raise ImproperlyConfigured("DATABASE_URL is not a database address that can be read.") from why
    engine = str(found.get("ENGINE", ""))
    if engine.endswith("sqlite3"):
        found["OPTIONS"] = {
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
        }
    elif engine.endswith("postgresql"):
        found["CONN_MAX_AGE"] = 60
    else:
        raise ImproperlyConfigured("DATABASE_URL must begin with sqlite: or postgresql:.")
    return found


DATABASES = {"default": database()}

# Who took what out, a line an export (times are UTC): kept beside the database for who audits. The file is
# opened by the first export, so a process that exports nothing makes none.
EXPORTS = {
    "class": "logging.FileHandler", "filename": DATA_DIR / "exports.log", "encoding": "utf-8", "delay": True,
    "formatter": "exports",
}  # fmt: skip
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"exports": {"format": "%(asctime)s %(message)s", "datefmt": "%Y-%m-%dT%H:%M:%SZ"}},
    "handlers": {"exports": EXPORTS},
    "loggers": {"biobank.exports": {"handlers": ["exports"], "level": "INFO"}},
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]
LOGIN_URL = "sign_in"
LOGIN_REDIRECT_URL = "today"
LOGOUT_REDIRECT_URL = "sign_in"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_TZ = True
USE_I18N = True

STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
STATIC_ROOT.mkdir(exist_ok=True)  # WhiteNoise warns at every start when it is not there
WHITENOISE_USE_FINDERS = True  # the demo and small installations run without collectstatic

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:"],
        "font-src": [SELF],
        "connect-src": [SELF],
        "manifest-src": [SELF],
        "form-action": [SELF],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
    }
}
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = SECURE_SSL_REDIRECT = HTTPS
SECURE_HSTS_SECONDS = env.integer("HSTS_SECONDS", 31_536_000 if HTTPS else 0)
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS
if HTTPS:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

MAIL = env.mail("EMAIL_URL")
MAIL_READY = MAIL is not None
EMAIL_BACKEND = f"django.core.mail.backends.{'smtp' if MAIL else 'dummy'}.EmailBackend"
if MAIL:
    EMAIL_HOST, EMAIL_PORT, EMAIL_HOST_USER, EMAIL_HOST_PASSWORD, EMAIL_USE_TLS, EMAIL_USE_SSL = MAIL
EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = env.text("MAIL_FROM", "alarms@localhost")
SITE_URL = env.address("SITE_URL")  # where mails send people; empty: they name the page in words
LOGGER_FILE_MAX_ROWS = env.integer("LOGGER_FILE_MAX_ROWS", 2_000_000, least=1)

DATA_UPLOAD_MAX_MEMORY_SIZE = env.integer("UPLOAD_MAX_BYTES", 20_000_000, least=1)
FILE_UPLOAD_MAX_MEMORY_SIZE = DATA_UPLOAD_MAX_MEMORY_SIZE
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5_000  # a workup page has a few fields for each of 150 tubes
