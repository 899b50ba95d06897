"""Developing time: who may lie alone while a product works. Pure."""

#: A peel is watched from the first to the last second (common practice, no source).
NEVER_ALONE_METHODS = frozenset({"peel"})
#: At the eyes, and every area that has them in it: who cannot open them cannot help themselves
#: (common practice, no source).
NEVER_ALONE_AREAS = frozenset({"lash", "brow", "face", "body"})


def may_be_unattended(area: str, method: str) -> bool:
    """Whether a client may be left alone while it develops, should the price list say so."""
    return method not in NEVER_ALONE_METHODS and area not in NEVER_ALONE_AREAS
