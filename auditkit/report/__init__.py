"""The report of an audit: a page to read and files to work on."""
