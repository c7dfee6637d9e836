"""Formats: the same content as a page, a Word document, and files of tables."""
