"""Commands that reckon with plan files alone: plan, rig."""
