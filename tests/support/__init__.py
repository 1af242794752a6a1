"""What tests and benches share beyond fixtures."""
