"""From never-powered to known-good: bring up assembled boards over SCPI and keep every reading."""

__version__ = "0.1.0"
