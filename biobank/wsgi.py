"""The WSGI door for any server, for example: `waitress-serve biobank.wsgi:application`."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "biobank.settings")
application = get_wsgi_application()
