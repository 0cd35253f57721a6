"""The version of the program, which documents, files and the logbook carry."""

VERSION = "0.1.0"
