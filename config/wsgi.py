"""The door for a web server."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
application = get_wsgi_application()

# Only now can the loop be read: it needs the apps.
from config.loop import start_loop  # noqa: E402

start_loop()
