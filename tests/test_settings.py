"""Production starts only with secrets of its own; every refusal is one clear sentence."""

import os
import subprocess
import sys

import pytest

KEY = "k" * 40
MASTER = "m1:" + "QUJDREVGR0hJSktMTU5PUFFSU1RVVldYWVoxMjM0NTY="
URL = "postgresql://nobody@127.0.0.1:1/none"


def start(**environment):
    code = "import django; django.setup(); print('started')"
    clean = {
        k: v for k, v in os.environ.items() if not k.startswith(("SPA_OPS", "DATABASE", "REDIS"))
    }
    return subprocess.run(
        [sys.executable, "-c", code],
        env=clean | {"DJANGO_SETTINGS_MODULE": "spa_ops.settings"} | environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("environment", "says"),
    [
        ({}, "SPA_OPS_SECRET_KEY"),
        ({"SPA_OPS_SECRET_KEY": "development-only-not-a-secret"}, "development secret"),
        ({"SPA_OPS_SECRET_KEY": "short"}, "32 or more"),
        ({"SPA_OPS_SECRET_KEY": KEY, "DATABASE_URL": URL}, "SPA_OPS_MASTER_KEYS"),
        (
            {"SPA_OPS_SECRET_KEY": KEY, "SPA_OPS_MASTER_KEYS": "m1:QQ==", "DATABASE_URL": URL},
            "32 bytes",
        ),
        ({"SPA_OPS_SECRET_KEY": KEY, "SPA_OPS_MASTER_KEYS": MASTER}, "DATABASE_URL"),
        ({"SPA_OPS_ENV": "prod"}, "must be production, development or test"),
    ],
)
def test_production_refuses_to_start_without_its_own_secrets(environment, says):
    refused = start(**environment)
    assert refused.returncode != 0
    assert says in refused.stderr.splitlines()[-1]


def test_production_starts_with_them():
    started = start(SPA_OPS_SECRET_KEY=KEY, SPA_OPS_MASTER_KEYS=MASTER, DATABASE_URL=URL)
    assert started.stdout == "started\n", started.stderr


def test_the_clock_of_production_follows_no_file(tmp_path):
    ahead = tmp_path / "ahead"
    ahead.write_text("86400")
    code = (
        "import django; django.setup(); from datetime import datetime, UTC; from spa_ops.kernel import clock; "
        "print(abs((clock.now() - datetime.now(UTC)).total_seconds()) < 5)"
    )
    given = {"SPA_OPS_SECRET_KEY": KEY, "SPA_OPS_MASTER_KEYS": MASTER, "DATABASE_URL": URL}
    environment = {
        k: v for k, v in os.environ.items() if not k.startswith(("SPA_OPS", "DATABASE", "REDIS"))
    }
    for env, expected in (("production", "True"), ("development", "False")):
        found = subprocess.run(
            [sys.executable, "-c", code],
            env=environment | given | {
                "DJANGO_SETTINGS_MODULE": "spa_ops.settings", "SPA_OPS_ENV": env,
                "SPA_OPS_CLOCK_OFFSET_FILE": str(ahead),
            },
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert found.stdout.strip() == expected
