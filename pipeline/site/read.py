"""
From the folder of a site to its `Site`, or to the list of every mistake in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import ConfigError
from pipeline.site.assemble import assemble
from pipeline.site.check import find_mistakes
from pipeline.site.files import read_files
from pipeline.site.models import Site
from pipeline.site.parts import read_parts
from pipeline.site.snapshot import hash_files


def read_site(folder: Path, environ: Mapping[str, str] | None = None) -> Site:
    """
    The site that the files in `folder` describe.

    Every file is read once; what was parsed is what was hashed.

    Args:
        folder: of site.toml; messages show it as it is given.
        environ: the station's environment; None: whether its secrets are set is not checked.

    Raises:
        ConfigError: with every mistake of every file and of every cross-check.
    """
    files, mistakes = read_files(folder)
    parts, told = read_parts(folder, files)
    mistakes += [*told, *find_mistakes(parts, environ)]
    if mistakes:
        raise ConfigError(tuple(mistakes))
    return assemble(parts, hash_files(files))
