"""Reading texts, tables and archives from strangers (`reading`), and saving whole and harmless (`saving`)."""
