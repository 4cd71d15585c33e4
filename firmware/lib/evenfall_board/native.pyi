# What the type checker sees of native.py: the pointer types are the compiler's own.
from collections.abc import Callable
from typing import Any, TypeAlias, TypeVar

_F = TypeVar("_F", bound=Callable[..., Any])
_T = TypeVar("_T")

WORD_BITS: int
ptr16: TypeAlias = Any
ptr32: TypeAlias = Any

def const(value: _T) -> _T: ...

class micropython:
    @staticmethod
    def native(function: _F) -> _F: ...
    @staticmethod
    def viper(function: _F) -> _F: ...

def forget(name: str) -> None: ...
