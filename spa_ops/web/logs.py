"""What goes into the log: never the secret part of an address that is itself a credential."""

import logging
import re

#: Up to what ends an address in a message; also where no page is, such as with a slash behind it.
_TOKEN = re.compile(r"((?<!/api/v1)/(?:intake|calendars)/)[^/\s?#'\"]+")
_PLAIN = logging.Formatter()


class HideTokens(logging.Filter):
    """Takes the tokens of intake links and calendars out of every record, its traceback too; drops none."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Rewrite `record` in place."""
        record.msg, record.args = hidden(record.getMessage()), None
        if record.exc_info and not record.exc_text:
            record.exc_text = _PLAIN.formatException(record.exc_info)
        if record.exc_text:
            record.exc_text = hidden(record.exc_text)
        return True


def hidden(text: str) -> str:
    """`text` with each token of an intake link or calendar replaced."""
    return _TOKEN.sub(r"\1[token]", text)
