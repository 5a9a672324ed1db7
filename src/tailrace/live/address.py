"""What stands in the address of a page: where it starts, the keys that are set, and what was kept to compare with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from urllib.parse import parse_qsl, urlencode

from tailrace.errors import SettingError

LONGEST_QUERY = 8_192
"""Characters of an address behind the question mark."""
MOST_SETTINGS = 64
LONGEST_VALUE = 100

NOTHING: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True)
class State:
    """``start`` names where the page starts ("" is the file), ``settings`` the keys set over it, as texts.

    ``kept`` are those of the answer that was kept, None where none was.
    """

    start: str = ""
    settings: Mapping[str, str] = field(default_factory=dict)
    kept: Mapping[str, str] | None = None

    @property
    def query(self) -> str:
        """The state as it stands in an address."""
        parts = [("start", self.start)] if self.start else []
        parts += [("set", f"{key}={value}") for key, value in self.settings.items()]
        if self.kept is not None:
            parts += [("kept", "yes"), *(("keep", f"{key}={value}") for key, value in self.kept.items())]
        return urlencode(parts)


def read(query: str) -> State:
    """The state that an address holds; what belongs to the look of the page alone is passed over.

    Raises SettingError: a ValueError: too long, too many keys, or one without a value.
    """
    if len(query) > LONGEST_QUERY:
        raise SettingError(f"the address has {len(query):,} characters; accepted: {LONGEST_QUERY:,}")
    start, is_kept = "", False
    settings: dict[str, str] = {}
    kept: dict[str, str] = {}
    try:
        parts = parse_qsl(query, keep_blank_values=True, max_num_fields=4 * MOST_SETTINGS)
    except ValueError:
        raise SettingError(f"the address sets too many keys; accepted: {MOST_SETTINGS}") from None
    for name, text in parts:
        if name == "start":
            start = text
        elif name == "kept":
            is_kept = True
        elif name in ("set", "keep"):
            key, value = _setting(text)
            (settings if name == "set" else kept)[key] = value
    if max(len(settings), len(kept)) > MOST_SETTINGS:
        raise SettingError(f"the address sets {len(settings)} keys; accepted: {MOST_SETTINGS}")
    return State(start, settings, kept if is_kept else None)


def _setting(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not equals or not key:
        raise SettingError(f"the address sets {text[:LONGEST_VALUE]!r}; accepted: KEY=VALUE")
    if len(value) > LONGEST_VALUE or not value.isprintable():
        raise SettingError(
            f"{key[:LONGEST_VALUE]} is set to {value[:LONGEST_VALUE]!r}; accepted: at most {LONGEST_VALUE} printable "
            "characters"
        )
    return key, value.strip()
