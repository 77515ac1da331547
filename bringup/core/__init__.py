"""The pure core: quantities, boards, procedures, judging. No input or output, no clock, no state."""
