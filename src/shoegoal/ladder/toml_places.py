"""Where in a TOML file a value stands: the line and column that tomllib does not keep.

Imported only when a file holds a wrong value, because the grammar takes a moment to load.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from typing import TypeAlias

import tree_sitter_toml
from tree_sitter import Language, Node, Parser

KeyPath: TypeAlias = tuple[str | int, ...]

_TABLES = ("table", "table_array_element")
_KEYS = ("bare_key", "quoted_key", "dotted_key")


class TomlPlaces:
    """Lines and columns of everything in a TOML text.

    Parameters
    ----------
    text : of a file that tomllib can read.
    """

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines()
        self._values: dict[KeyPath, Node] = {}
        self._keys: dict[KeyPath, Node] = {}
        tree = Parser(Language(tree_sitter_toml.language())).parse(text.encode())
        self._read(tree.root_node)

    def of_value(self, path: Sequence[str | int]) -> tuple[int, int]:
        """Line and column, from 1, of the value at a path such as ``("stages", 1, "rule")``.

        A value that is not there (a key that is missing) is placed at the table that lacks it; one
        that belongs to no table of the file, at the file's first character.
        """
        return self._place(self._values, path)

    def of_key(self, path: Sequence[str | int]) -> tuple[int, int]:
        """Line and column of the key in front of the value; else as `of_value`."""
        return self._place(self._keys, path)

    def _place(self, nodes: dict[KeyPath, Node], path: Sequence[str | int]) -> tuple[int, int]:
        wanted = tuple(path)
        node = nodes.get(wanted)
        while node is None and wanted:
            wanted = wanted[:-1]
            node = self._values.get(wanted)
        if node is None:
            return 1, 1
        row, byte = node.start_point
        # The grammar counts bytes; an editor counts characters.
        return row + 1, len(self._lines[row].encode()[:byte].decode(errors="replace")) + 1

    def _read(self, document: Node) -> None:
        lengths: dict[KeyPath, int] = {}  # of the arrays of tables
        for node in document.named_children:
            if node.type == "pair":
                self._read_pair((), node)
            if node.type not in _TABLES:
                continue
            key = next(child for child in node.named_children if child.type in _KEYS)
            path: KeyPath = ()
            parts = list(_parts(key))
            for part in parts[:-1]:
                path = _newest(lengths, (*path, part))
            path = (*path, parts[-1])
            if node.type == "table_array_element":
                lengths[path] = lengths.get(path, 0) + 1
                self._values.setdefault(path, node)
                path = _newest(lengths, path)
            self._keys[path] = self._values[path] = node
            for pair in node.named_children:
                if pair.type == "pair":
                    self._read_pair(path, pair)

    def _read_pair(self, table: KeyPath, pair: Node) -> None:
        key, value = (child for child in pair.named_children if child.type != "comment")
        path = (*table, *_parts(key))
        self._keys[path] = key
        self._read_value(path, value)

    def _read_value(self, path: KeyPath, value: Node) -> None:
        self._values[path] = value
        children = [child for child in value.named_children if child.type != "comment"]
        if value.type == "inline_table":
            for pair in children:
                self._read_pair(path, pair)
        elif value.type == "array":
            for place, child in enumerate(children):
                self._read_value((*path, place), child)


def _parts(key: Node) -> Iterator[str]:
    """Give the plain names that a key is made of, quotes and escapes undone."""
    if key.type == "dotted_key":
        for child in key.named_children:
            yield from _parts(child)
        return
    words = (key.text or b"").decode()
    (name,) = tomllib.loads(f"{words} = 0") if key.type == "quoted_key" else (words,)
    yield name


def _newest(lengths: dict[KeyPath, int], path: KeyPath) -> KeyPath:
    """Give the path itself, or that of its newest table where it is an array of tables."""
    return (*path, lengths[path] - 1) if path in lengths else path
