"""Reading and writing: job, design, parts list, response, netlist, and the output folder."""
