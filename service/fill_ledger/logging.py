"""Structured logs: one JSON object a line on standard error, readable text on a terminal.

What is logged is chosen where it is logged: identifiers and measures, never names, bodies, query values or headers. The
redaction here is a second line: whatever slips through, nothing that looks like a key leaves the process.
"""

import logging
import re
import sys
from collections.abc import Mapping, MutableMapping
from typing import Any, TextIO

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

REDACTED = "[redacted]"

_SECRET_TEXT = re.compile(
    r"flk_[A-Za-z0-9_-]+"  # the service's own keys
    r"|(?i:\b(?:bearer|basic)\s+[A-Za-z0-9._~+/=-]+)"  # an Authorization value
    r"|(?i:(?<=://)[^/\s@]*:[^/\s@]*(?=@))"  # user and password in a URL
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
    renderer: Processor = structlog.processors.JSONRenderer() if writes_json else structlog.dev.ConsoleRenderer()
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
    ]
    # A rendered traceback is text and is redacted as such; on a terminal the console renderer formats it itself.
    traces: list[Processor] = [structlog.processors.format_exc_info]
    structlog.configure(
        processors=[*shared, *traces, redact, renderer],
        wrapper_class=structlog.make_filtering_bound_logger(threshold),
        logger_factory=structlog.PrintLoggerFactory(out),
        cache_logger_on_first_use=False,  # module-level loggers must follow a later configuration
    )
    _redirect_standard_logging(out, threshold, [*shared, *traces, redact], renderer)


def _redirect_standard_logging(out: TextIO, threshold: int, processors: list[Processor], renderer: Processor) -> None:
    """Have libraries that use the standard library's logging (server, migrations) write the same lines."""
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=processors,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, redact, renderer],
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


def redact(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """Replace whatever looks like a key or a password, in any field and at any depth (a structlog processor)."""
    return _redact_fields(event, 1)


def redact_text(text: str) -> str:
    """Return the text with whatever looks like a key or a password replaced."""
    return _SECRET_TEXT.sub(REDACTED, text)


def _redact_fields(fields: MutableMapping[str, Any], depth: int) -> MutableMapping[str, Any]:
    for name, value in fields.items():
        fields[name] = REDACTED if name.lower() in _SECRET_FIELDS else _redact_value(value, depth)
    return fields


def _redact_value(value: Any, depth: int) -> Any:
    if isinstance(value, str):
        return redact_text(value)
    if value is None or isinstance(value, bool | int | float):
        return value
    if depth >= _MAX_DEPTH:
        return REDACTED
    if isinstance(value, bytes):
        return redact_text(value.decode("utf-8", "replace"))
    if isinstance(value, Mapping):
        return _redact_fields({str(name): item for name, item in value.items()}, depth + 1)
    if isinstance(value, list | tuple | set | frozenset):
        return [_redact_value(item, depth + 1) for item in value]
    return redact_text(str(value))
