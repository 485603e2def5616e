"""Reading text, tables and archives from strangers, and saving whole: what any stage takes from a file or puts in one.

`text` decodes texts, JSON and XML; `tables` reads CSV and workbooks as rows of text; `archives` unpacks no more than is
sane; `saving` writes a file whole or not at all; `escape` makes a text harmless for the place it goes to.
"""
