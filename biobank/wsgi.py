"""The WSGI door for any server, for example: `waitress-serve biobank.wsgi:application`."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "biobank.settings")
application = get_wsgi_application()

from custody import checkpoints  # noqa: E402  (its tables need the application above)

checkpoints.ready()  # the key is made at the first start, not at the first handoff
