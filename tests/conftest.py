"""Its place makes the modules beside it importable from every folder of tests."""
