"""Quality control from records: control charts, run rules, capability, first-pass yield, gauge beside process."""
