"""Report: results to tables, figures and sentences, and these to all forms that people read."""
