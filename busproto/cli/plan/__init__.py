"""Commands that calculate with plan files alone: plan, rig."""
