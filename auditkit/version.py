"""The version of auditkit, for whoever needs it without the front door."""

__version__ = "0.1.0"
