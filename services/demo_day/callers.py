"""HTTP callers of the demonstration day: what a tablet or a desk would send. Standard library only."""

import json
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from typing import Any


class Refused(Exception):
    """The server answered with a problem document."""

    def __init__(self, status: int, problem: dict[str, Any]) -> None:
        self.status, self.problem = status, problem
        super().__init__(f"{status} {problem.get('title')}: {problem.get('detail') or problem}")


@dataclass(slots=True)
class Caller:
    """One signed-in person."""

    base_url: str
    name: str
    headers: dict[str, str] = field(default_factory=dict)

    def sign_in(self, login: str, password: str) -> "Caller":
        """Take a token for the day."""
        given = self.post("sign-in", {"login": login, "password": password})
        self.headers["Authorization"] = f"Bearer {given['secret']}"
        return self

    def get(self, path: str) -> Any:
        return self._send("GET", path, None)

    def post(self, path: str, data: dict[str, Any] | None = None) -> Any:
        return self._send("POST", path, data or {})

    def _send(self, method: str, path: str, data: dict[str, Any] | None) -> Any:
        url = path if path.startswith("/") else f"/api/v1/{path}"
        body = None if data is None else json.dumps(data).encode()
        headers = {"Content-Type": "application/json", **self.headers}
        request = urllib.request.Request(self.base_url + url, body, headers, method=method)  # noqa: S310 - our own server
        try:
            with urllib.request.urlopen(request, timeout=60) as response:  # noqa: S310
                return json.load(response)
        except urllib.error.HTTPError as error:
            raise Refused(error.code, json.loads(error.read() or b"{}")) from error

    def all(self, path: str) -> list[dict[str, Any]]:
        """Every item of a list, page by page."""
        found: list[dict[str, Any]] = []
        joiner, cursor = "&" if "?" in path else "?", ""
        while True:
            page = self.get(f"{path}{joiner}limit=200{cursor}")
            found += page["items"]
            if not page.get("next"):
                return found
            cursor = f"&cursor={page['next']}"
