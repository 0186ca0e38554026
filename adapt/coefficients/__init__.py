"""A labelled set of influence coefficients: values, table, document and file.

How they are learned lives in `learning`.
"""

from adapt.coefficients.document import learned_document
from adapt.coefficients.file import (
    coefficients_content,
    coefficients_in,
    read_coefficients,
    write_coefficients,
)
from adapt.coefficients.identity import identity_of, require_design
from adapt.coefficients.values import Coefficients, Noise, Posterior

__all__ = [
    "Coefficients",
    "Noise",
    "Posterior",
    "coefficients_content",
    "coefficients_in",
    "identity_of",
    "learned_document",
    "read_coefficients",
    "require_design",
    "write_coefficients",
]
