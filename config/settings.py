"""Settings from the environment only. With no setting at all: SQLite and files under FARM_HOME."""

import fcntl
import os
import secrets
from pathlib import Path
from typing import Any

import environ

env = environ.Env()

BASE_DIR = Path(__file__).resolve().parent.parent
FARM_HOME = Path(env.str("FARM_HOME", default=str(BASE_DIR / ".data"))).resolve()
FARM_HOME.mkdir(parents=True, exist_ok=True)
FARM_TIME_ZONE = env.str("FARM_TIME_ZONE", default="America/Chicago")
# Served over https by a proxy in front: cookies, redirects and the browser's memory follow it.
IS_HTTPS = env.bool("FARM_HTTPS", default=False)
# Where readers of mail reach the farm; every link in a letter begins with it.
FARM_ADDRESS = env.str("FARM_ADDRESS", default="http://localhost:8000").rstrip("/")
FARM_MAIL_FROM = env.str("FARM_MAIL_FROM", default="")
# Cache and queue; farms that share one Redis need a prefix each.
REDIS_URL = env.str("REDIS_URL", default="")
REDIS_PREFIX = env.str("REDIS_PREFIX", default="slackwater")
# The embedded loop that does what is due; off where a task queue calls tick() instead.
FARM_LOOP = env.bool("FARM_LOOP", default=not REDIS_URL)


def kept_secret_key() -> str:
    """The key made on first use and kept where only this user can read it."""
    descriptor = os.open(FARM_HOME / "secret_key", os.O_RDWR | os.O_CREAT, 0o600)
    with os.fdopen(descriptor, "r+") as kept:
        # In turn: two web workers that start together must not make two keys.
        fcntl.flock(kept, fcntl.LOCK_EX)
        key = kept.read()
        if not key:
            key = secrets.token_urlsafe(64)
            kept.write(key)
        return key


SECRET_KEY = env.str("SECRET_KEY", default="") or kept_secret_key()
DEBUG = env.bool("DEBUG", default=False)
ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", default=["localhost", "127.0.0.1", "[::1]"])
CSRF_TRUSTED_ORIGINS = env.list("CSRF_TRUSTED_ORIGINS", default=[])

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "rest_framework",
    "axes",
    "csp",
    "django_htmx",
    "config",
    "inventory",
    "orders",
    "shipping",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    # Above the static files, so that those go out compressed as well. Django pads each answer by a
    # random length against guessing a token from the size of a compressed page.
    "django.middleware.gzip.GZipMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "config.errors.RefusalPages",
    "axes.middleware.AxesMiddleware",
]
ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "config" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "config.context.page",
            ]
        },
    }
]


def database() -> dict[str, Any]:
    """SQLite in FARM_HOME, or what DATABASE_URL names; PostgreSQL behind a pool of connections."""
    url = env.str("DATABASE_URL", default="")
    if not url:
        return embedded_database(FARM_HOME / "slackwater.sqlite3")
    chosen: dict[str, Any] = env.db_url_config(url)
    if chosen["ENGINE"].endswith("sqlite3"):
        return embedded_database(Path(chosen["NAME"]))
    # A pool keeps the connections; one kept by Django besides would never go back to it.
    chosen["CONN_MAX_AGE"] = 0
    # Compiling the one joined statement of supply takes seconds, running it a tenth of one.
    options = {"options": "-c jit=off", **chosen.get("OPTIONS", {})}
    if env.bool("DATABASE_POOL", default=True):
        options["pool"] = {"min_size": 1, "max_size": 8, "timeout": 20}
    chosen["OPTIONS"] = options
    return chosen


def embedded_database(path: Path) -> dict[str, Any]:
    """SQLite as the farm needs it: durable, its writers in turn."""
    return {
        "ENGINE": "config.sqlite_turn",
        "NAME": path,
        "OPTIONS": {
            # The write lock is taken at BEGIN: a lock that comes later can fail half-way.
            "transaction_mode": "IMMEDIATE",
            "timeout": 30,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;",
        },
        # In-memory SQLite answers "table is locked" at once, whatever the time-out.
        "TEST": {"NAME": FARM_HOME / "test.sqlite3"},
    }


DATABASES = {"default": database()}


EMAIL_URL = env.str("EMAIL_URL", default="")


def post() -> dict[str, Any]:
    """The mail server that EMAIL_URL names, or a folder of letters where there is none."""
    if not EMAIL_URL:
        return {"EMAIL_BACKEND": "inventory.mail_folder.MailFolder"}
    chosen: dict[str, Any] = env.email_url_config(EMAIL_URL)
    return chosen


globals().update(post())
MAIL_FOLDER = FARM_HOME / "mail"
# A server that does not answer is a server that is gone: the letters wait.
EMAIL_TIMEOUT = 20

DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "inventory.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
AUTH_PASSWORD_VALIDATORS = [
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 10},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator",
     "OPTIONS": {"user_attributes": ("email", "name", "code")}},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]  # fmt: skip
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = 0.25
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_HANDLER = "axes.handlers.database.AxesDatabaseHandler"
AXES_VERBOSE = False
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "today"
LOGOUT_REDIRECT_URL = "login"

LANGUAGE_CODE = "en-us"
TIME_ZONE = FARM_TIME_ZONE
USE_I18N = False
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = FARM_HOME / "static"
STATIC_ROOT.mkdir(exist_ok=True)
STATICFILES_DIRS = [BASE_DIR / "config" / "static"]
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = DEBUG

SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SECURE = IS_HTTPS
CSRF_COOKIE_SECURE = IS_HTTPS
SECURE_SSL_REDIRECT = IS_HTTPS
SECURE_HSTS_SECONDS = 31_536_000 if IS_HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = IS_HTTPS
SECURE_HSTS_PRELOAD = IS_HTTPS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if IS_HTTPS else None
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        # A recording is heard on the phone before it is stored anywhere.
        "media-src": ["'self'", "blob:"],
        # The pictures carry their inks as style attributes so that they print as they show.
        "style-src": ["'self'", "'unsafe-inline'"],
        "frame-ancestors": ["'none'"],
        "form-action": ["'self'"],
        "base-uri": ["'self'"],
    }
}
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 5000

REST_FRAMEWORK = {
    "EXCEPTION_HANDLER": "config.errors.answer_problem",
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "UNAUTHENTICATED_USER": None,
}


def cache() -> dict[str, Any]:
    """Redis where REDIS_URL names one, shared by every process; else each process's own memory."""
    if not REDIS_URL:
        return {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
    return {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": REDIS_URL,
        "KEY_PREFIX": REDIS_PREFIX,
    }


CACHES = {"default": cache()}
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "handlers": {"console": {"class": "logging.StreamHandler"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
}
