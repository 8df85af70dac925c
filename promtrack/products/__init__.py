"""The only room that knows file names and columns: records in, files out, and back again.

Read folder (what lies where, one run at a time), tables, strips (FITS), then summary.
"""
