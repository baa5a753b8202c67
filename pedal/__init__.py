"""A foot-operated rhythm section for people who practise and rehearse the blues."""

__version__ = "0.1.0"
