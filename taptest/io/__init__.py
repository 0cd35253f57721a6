"""The one gate for recordings, and a module for every format, each registered once in `taptest.io.formats`."""
