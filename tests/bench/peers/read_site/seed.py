"""Make the peer's tables and copy into them the visit that stands on standard input; prints a token."""

import json
import os
import sys

import django

if __name__ == "__main__":
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.bench.peers.read_site.settings"
    django.setup()

    from django.contrib.auth.models import User
    from django.core.management import call_command
    from rest_framework.authtoken.models import Token

    from tests.bench.peers.read_site.models import PeerLine, PeerVisit

    call_command("migrate", run_syncdb=True, verbosity=0)
    for given in json.load(sys.stdin):
        lines = given.pop("lines")
        visit = PeerVisit.objects.create(**given)
        PeerLine.objects.bulk_create(PeerLine(visit=visit, **line) for line in lines)
    print(Token.objects.create(user=User.objects.create(username="invented")).key)
