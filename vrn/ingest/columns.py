"""Which column of a file holds which of ours: by its name, by the field file's mapping, or by a short name."""

from vrn.errors import InputFileError
from vrn.ingest.keys import nearest
from vrn.ingest.table import Table


class Columns:
    """
    Columns of one table by our names.

    Parameters
    ----------
    table : Table
    mapping : dict of str to str, optional
        Our name and the file's, either way round; for several files, several of theirs may be one of ours.
    key : str
        Key path under which a mapping stands, for remedies.
    roles : tuple of str
        Every name of ours; needed to tell which side of a mapping is ours.
    shared : bool, default False
        Whether the mapping is for several files: one that has our own name instead needs no mapping.

    Raises
    ------
    InputFileError
        If a mapping names no column of ours, one the file has not, or two of the file's for one of ours.
    """

    def __init__(
        self, table: Table, mapping: dict[str, str] | None, *, key: str, roles: tuple[str, ...], shared: bool = False
    ) -> None:
        self.table = table
        self.key = key
        self.shared = shared
        self.ours = {role.lower() for role in roles}
        theirs: dict[str, list[str]] = {}
        for left, right in (mapping or {}).items():
            if left in roles:
                theirs.setdefault(left, []).append(right)
            elif right in roles:
                theirs.setdefault(right, []).append(left)
            else:
                near = nearest(left, list(roles)) or nearest(right, list(roles))
                problem = f'{key}: neither "{left}" nor "{right}" is a column that vrn knows.'
                hint = f"Did you mean {near}?" if near else f"vrn knows {', '.join(roles)}."
                raise InputFileError(problem, f'{hint} Write it as our_name = "their name".')
        self.mapped: dict[str, str] = {role: self._there(role, names) for role, names in theirs.items()}

    def _there(self, role: str, names: list[str]) -> str:
        found = {name: self.table.find(name) for name in names}
        there = list(dict.fromkeys(column for column in found.values() if column is not None))
        if len(there) > 1:
            problem = f"{self.table.name}: {' and '.join(there)} are both named for {role} under {self.key}."
            raise InputFileError(problem, "Keep the one that is meant.")
        if there and (self.shared or None not in found.values()):
            return there[0]
        own = self.table.find(role) if self.shared else None
        if own is not None:
            return own
        name = next(name for name, column in found.items() if column is None)
        near = nearest(name, list(self.table.columns))
        key = self.key if self.key.endswith(".column") else f"{self.key}.{role}"
        problem = f'{self.table.name}: {key} is "{name}", and there is no such column.'
        remedy = f'Did you mean "{near}"?' if near else f"Columns: {', '.join(self.table.columns)}."
        if self.shared:
            remedy += f' If it is of another make, name its column, too: "their name" = "{role}".'
        raise InputFileError(problem, remedy)

    def find(self, role: str, *usual: str) -> str | None:
        """Column that holds one of ours, or None; ``usual`` are short names taken when ours is not there."""
        return self.mapped.get(role) or self.table.find(role, *usual)

    def need(self, role: str, *usual: str) -> str:
        """
        Column that must be there.

        Raises
        ------
        InputFileError
            If it is not; the remedy names the column that resembles it.
        """
        found = self.find(role, *usual)
        if found is not None:
            return found
        taken = {*self.mapped.values(), ""}
        free = [name for name in self.table.columns if name not in taken and name.lower() not in self.ours]
        near = nearest(role, free) or next((n for name in usual if len(name) > 2 and (n := nearest(name, free))), None)
        problem = f"{self.table.name}: there is no column {role} (columns: {', '.join(self.table.columns) or 'none'})."
        remedy = f'If "{near}" is it, set' if near else "Add it, or name the column that holds it:"
        raise InputFileError(problem, f'{remedy} {role} = "{near or "…"}" under [{self.key}].')
