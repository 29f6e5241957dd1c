"""Folders that ship with the package: where the schemas, the sample audit and the notebooks lie.

An installed package carries them beside its modules; a checkout has them at its
top level. The copy beside the modules is looked for first, so that an installed
version never reads another version's files.
"""

from __future__ import annotations

from pathlib import Path

from auditkit.errors import SourceError

__all__ = ["notebooks_folder", "sample_folder", "schemas_folder"]

_PACKAGE = Path(__file__).resolve().parent


def schemas_folder() -> Path:
    """Return the folder of the contracts and the published rules.

    Raises
    ------
    SourceError
        Neither the package nor a checkout holds the folder.

    Examples
    --------
    >>> (schemas_folder() / "film_rules.yaml").is_file()
    True
    """
    return _shipped("_schemas", "schemas", package=_PACKAGE)


def sample_folder() -> Path:
    """Return the folder of the invented sample audit.

    Raises
    ------
    SourceError
        Neither the package nor a checkout holds the folder.

    Examples
    --------
    >>> sample_folder().is_dir()
    True
    """
    return _shipped("_sample_data", "sample_data", package=_PACKAGE)


def notebooks_folder() -> Path:
    """Return the folder of the notebooks.

    Raises
    ------
    SourceError
        Neither the package nor a checkout holds the folder.

    Examples
    --------
    >>> notebooks_folder().name in {"notebooks", "_notebooks"}
    True
    """
    return _shipped("_notebooks", "notebooks", package=_PACKAGE)


def _shipped(installed: str, checkout: str, *, package: Path) -> Path:
    """Return the folder beside the modules, or else the one at the top of the checkout."""
    candidates = (package / installed, package.parent / checkout)
    for folder in candidates:
        if folder.is_dir():
            return folder
    looked = " nor ".join(str(folder) for folder in candidates)
    raise SourceError(
        f"The folder {checkout!r} must come with auditkit, but neither {looked} is there. Install auditkit again."
    )
