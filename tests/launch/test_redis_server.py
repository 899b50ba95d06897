"""The private Redis: each source, by a real connection."""

import os
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import redis

from spa_ops.launch import redis_server
from spa_ops.launch.refusals import LaunchRefused


def use_once(url: str) -> None:
    with redis.Redis.from_url(url) as client:
        assert client.set("spa_ops:launch-test", "1", ex=5)
        assert client.getdel("spa_ops:launch-test") == b"1"


@pytest.mark.parametrize("path", [os.environ.get("PATH", ""), ""], ids=["system", "wheel"])
def test_a_private_server_comes_from_the_system_or_the_wheel(
    monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    monkeypatch.delenv("REDIS_URL", raising=False)
    monkeypatch.setenv("PATH", path)
    with redis_server.redis_for_use() as server:
        assert "a private one from" in server.source
        use_once(server.url)
        with redis.Redis.from_url(server.url) as client:
            settings = client.config_get("*")
        assert (settings["bind"], settings["save"], settings["appendonly"]) == (
            "127.0.0.1",
            "",
            "no",
        )
    with pytest.raises(redis.ConnectionError), redis.Redis.from_url(server.url) as client:
        client.ping()


def test_nobody_gets_into_a_private_server_without_its_password(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("REDIS_URL", raising=False)
    with (
        redis_server.redis_for_use() as server,
        redis.Redis(port=urlsplit(server.url).port or 0) as stranger,
        pytest.raises(redis.AuthenticationError),
    ):
        stranger.ping()


def test_a_given_server_is_used_and_left_running(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("REDIS_URL", raising=False)
    with redis_server.redis_for_use() as already_there:
        monkeypatch.setenv("REDIS_URL", already_there.url)
        with redis_server.redis_for_use() as server:
            assert server.source == "the one of REDIS_URL"
            assert server.url == already_there.url
        use_once(already_there.url)


def test_no_server_anywhere_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv("REDIS_URL", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(redis_server, "WHEEL", "no_such_wheel")
    with pytest.raises(LaunchRefused, match="No Redis was found"), redis_server.redis_for_use():
        pass


def test_a_program_that_does_not_start_says_why(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    program = tmp_path / "redis-server"
    program.write_text("#!/bin/sh\necho 'out of luck'; exit 1\n")
    program.chmod(0o755)
    monkeypatch.delenv("REDIS_URL", raising=False)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    with pytest.raises(LaunchRefused, match="out of luck"), redis_server.redis_for_use():
        pass
