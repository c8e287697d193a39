# R's coxph on the cohort of references.py:  Rscript reference_cox.R FOLDER nine|halves STRATA(0|1)
# Columns lie in FOLDER/<task>/ as plain doubles; writes FOLDER/<task>/r.csv: processor seconds reading and fitting, then
# coefficient and standard error of each column.
suppressPackageStartupMessages(library(survival))
arguments <- commandArgs(trailingOnly = TRUE)
folder <- file.path(arguments[1], arguments[2])
shape <- scan(file.path(folder, "shape.txt"), quiet = TRUE)
column <- function(name) readBin(file.path(folder, name), "double", shape[1])

began <- sum(proc.time()[1:2])
start <- column("start")
stop <- column("stop")
event <- column("event")
technician <- column("technician")
x <- matrix(readBin(file.path(folder, "x"), "double", shape[1] * shape[2]), shape[1])
read <- sum(proc.time()[1:2])
control <- coxph.control(timefix = FALSE)
outcome <- if (arguments[2] == "nine") Surv(stop, event) else Surv(start, stop, event)
fit <- if (arguments[3] == "1") {
  coxph(outcome ~ x + strata(technician), ties = "breslow", control = control)
} else {
  coxph(outcome ~ x, ties = "breslow", control = control)
}
fitted <- sum(proc.time()[1:2])
write.table(
  rbind(c(read - began, fitted - read), cbind(coef(fit), sqrt(diag(vcov(fit))))),
  file.path(folder, "r.csv"), sep = ",", row.names = FALSE, col.names = FALSE
)
