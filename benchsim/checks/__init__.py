"""Plans of cases, the stage they are played on, and what they leave behind."""
