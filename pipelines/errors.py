"""What is said when an input cannot be used: one message for a person, no traceback."""


class InputError(Exception):
    """The fault lies in a file, a row, a mapping or a setting, not in the program.

    The text names where (file, line, column, or key), what was found, what was expected and what to do.
    """


class StoreBusyError(InputError):
    """Another load or fit is changing the store now."""


class StoreMissingError(InputError):
    """There is no store at the place asked for, or nothing has been loaded into it yet."""
