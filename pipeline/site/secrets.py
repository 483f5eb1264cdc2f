"""
Secrets come from the environment or from a file that it names, never from the configuration.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import ConfigError, Mistake


def secret(env_name: str, environ: Mapping[str, str]) -> str:
    """
    The secret in variable `env_name`, else in the file that `{env_name}_FILE` names.

    One line end at the end of the file is not part of the secret.

    Raises:
        ConfigError: neither is set, the secret is empty, or the file cannot be read; the message
            never shows the secret.
    """
    if env_name in environ:
        value = environ[env_name]
        if value:
            return value
        raise ConfigError((_mistake(env_name, "an empty variable"),))
    file = environ.get(f"{env_name}_FILE")
    if file is None:
        raise ConfigError((_mistake(env_name, f"neither {env_name} nor {env_name}_FILE set"),))
    try:
        text = Path(file).read_text(encoding="utf-8")
    except OSError as error:
        why = f'{env_name}_FILE naming "{file}", which cannot be read ({error.strerror})'
        raise ConfigError((_mistake(env_name, why),)) from error
    except UnicodeDecodeError as error:
        why = f'{env_name}_FILE naming "{file}", which is not UTF-8'
        raise ConfigError((_mistake(env_name, why),)) from error
    value = text.removesuffix("\n").removesuffix("\r")
    if not value:
        raise ConfigError((_mistake(env_name, f'{env_name}_FILE naming "{file}", which is empty'),))
    return value


def _mistake(env_name: str, found: str) -> Mistake:
    remedy = f"Set {env_name}, or set {env_name}_FILE to the path of a file that holds it."
    return Mistake("environment", f"variable {env_name}", found, "a secret", remedy)
