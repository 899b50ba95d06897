"""The stream process with short times, for what otherwise takes a quarter of a minute to see."""

from spa_ops.asgi import application
from spa_ops.sync import stream

stream.HEARTBEAT_SECONDS, stream.LOOK_SECONDS, stream.MOST_STREAMS = 1.0, 0.4, 2

__all__ = ["application"]
