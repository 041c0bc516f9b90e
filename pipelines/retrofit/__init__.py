"""From what is open to the work that is done about it: jobs, their cost, and the plan that fits the money."""
