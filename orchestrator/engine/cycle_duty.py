"""placeholder"""
from typing import Any
Cycles: Any = None
