"""Structured logs: one JSON object a line on standard error, readable text on a terminal.

What is logged is chosen where it is logged: identifiers and measures, never names, bodies, query values or headers. The
redaction here is a second line: whatever slips through, nothing that looks like a key leaves the process.
"""

import logging
import re
import sys
from collections.abc import Mapping
from typing import Any, TextIO

import msgspec
import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

REDACTED = "[redacted]"

_SECRET_TEXT = re.compile(
    r"flk_[A-Za-z0-9_-]+"  # the service's own keys
    r"|(?i:\b(?:bearer|basic)\s+[A-Za-z0-9._~+/=-]+)"  # an Authorization value
    r"|(?i:(?<=://)[^/\s@\"]*:[^/\s@\"]*(?=@))"  # user and password in a URL
)
_SECRET_FIELDS = frozenset(
    {"authorization", "cookie", "key", "passcode", "password", "secret", "token", "master_key", "dsn"}
)
_LIBRARIES_HEARD_AT_INFO = ("alembic", "uvicorn.error")
_MAX_DEPTH = 6


def configure_logging(*, level: str = "info", stream: TextIO | None = None, as_json: bool | None = None) -> None:
    """Send the logs of this process, and those of its libraries, to one stream in one form.

    Args:
        level: debug, info, warning or error.
        stream: standard error unless given.
        as_json: JSON lines or readable text; by default text only if the stream is a terminal.

    Raises:
        ValueError: the level has no such name.
    """
    out = sys.stderr if stream is None else stream
    threshold = logging.getLevelNamesMapping().get(level.upper())
    if threshold is None:
        raise ValueError(f"the log level must be debug, info, warning or error, not {level!r}")
    writes_json = not out.isatty() if as_json is None else as_json
    renderer: Processor = (
        structlog.processors.JSONRenderer(serializer=_to_json) if writes_json else structlog.dev.ConsoleRenderer()
    )
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
        # A traceback becomes text here, so that what it quotes is redacted like any other text.
        structlog.processors.format_exc_info,
        redact_fields,
    ]
    structlog.configure(
        processors=[*shared, renderer, _redact_line],
        wrapper_class=structlog.make_filtering_bound_logger(threshold),
        logger_factory=structlog.WriteLoggerFactory(out),
        cache_logger_on_first_use=False,  # module-level loggers must follow a later configuration
    )
    _redirect_standard_logging(out, threshold, shared, renderer)


def _redirect_standard_logging(out: TextIO, threshold: int, processors: list[Processor], renderer: Processor) -> None:
    """Have libraries that use the standard library's logging (server, migrations) write the same lines."""
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=processors,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, renderer, _redact_line],
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    # Libraries speak up from warning on: at info some write whole URLs, with whatever is in their query.
    root.setLevel(max(threshold, logging.WARNING))
    for name in _LIBRARIES_HEARD_AT_INFO:
        logging.getLogger(name).setLevel(max(threshold, logging.INFO))
    # The service writes its own line for each request; the server's would hold the query.
    logging.getLogger("uvicorn.access").disabled = True


def redact_text(text: str) -> str:
    """Return the text with whatever looks like a key or a password replaced."""
    return _SECRET_TEXT.sub(REDACTED, text)


def redact_fields(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """Replace the value of every field whose name says it is a secret, at any depth (a structlog processor)."""
    for name, value in event.items():
        if name.lower() in _SECRET_FIELDS:
            event[name] = REDACTED
        elif isinstance(value, Mapping | list | tuple | bytes):
            event[name] = _without_secret_fields(value, 1)
    return event


def _without_secret_fields(value: Any, depth: int) -> Any:
    if depth > _MAX_DEPTH:
        return REDACTED
    if isinstance(value, Mapping):
        return {
            str(name): REDACTED if str(name).lower() in _SECRET_FIELDS else _without_secret_fields(item, depth + 1)
            for name, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [_without_secret_fields(item, depth + 1) for item in value]
    # Bytes would be written in base64, which hides a key from the redaction of the line.
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else value


def _redact_line(_logger: WrappedLogger, _method: str, line: Any) -> str:
    """Redact the finished line, so that no field, name or nesting can be forgotten."""
    return redact_text(str(line))


def _to_json(event: Any, **_options: Any) -> str:
    return _ENCODER.encode(event).decode("utf-8")


_ENCODER = msgspec.json.Encoder(enc_hook=str)
