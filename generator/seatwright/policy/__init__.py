"""Compile a policy into ordered rules; the algebra that proves things about rule lists."""
