# Pools every set of effects of a folder with metafor and prints what a pool is judged by, one set a line.
# Usage: Rscript pool_farms.R FOLDER; each CSV there has the columns value and variance.
suppressMessages(library(metafor))
folder <- commandArgs(trailingOnly = TRUE)[1]
for (path in sort(list.files(folder, "\\.csv$", full.names = TRUE))) {
  farms <- read.csv(path)
  for (method in c("REML", "ML", "DL", "EE")) {
    for (test in c("z", "knha", "adhoc")) {
      # The default stops at 1e-5, far coarser than what is compared here.
      found <- rma(value, variance, data = farms, method = method, test = test, control = list(threshold = 1e-13, maxiter = 10000))
      another <- predict(found)
      spread <- if (method == "EE") c(0, 0) else confint(found, control = list(tol = 1e-13, maxiter = 10000))$random[1, 2:3]
      further <- if (method == "EE") c(found$ci.lb, found$ci.ub) else c(another$pi.lb, another$pi.ub)
      numbers <- c(found$beta, found$se, found$ci.lb, found$ci.ub, found$pval, found$tau2, spread, found$QE, found$I2 / 100, further)
      cat(sub("\\.csv$", "", basename(path)), method, test, sprintf("%.15g", numbers), "\n")
    }
  }
}
