"""Many benches' databases as Parquet that one query reads together."""
