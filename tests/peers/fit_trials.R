# Fits every trial of a folder with lme4 and lmerTest and prints what a mixed model is judged by.
# Usage: Rscript fit_trials.R FOLDER. FOLDER/formulas.txt has lines "name;restricted;formula", FOLDER/name.csv the data.
# Each line printed is "name;quantity;values".
suppressMessages(library(lmerTest))
folder <- commandArgs(trailingOnly = TRUE)[1]
# The default tolerances stop once theta is good to four digits.
tight <- lmerControl(
  optimizer = "nloptwrap", calc.derivs = FALSE, check.conv.singular = "ignore",
  optCtrl = list(xtol_abs = 1e-12, xtol_rel = 0, ftol_abs = 0, ftol_rel = 0, maxeval = 5000)
)
for (line in readLines(file.path(folder, "formulas.txt"))) {
  part <- strsplit(line, ";")[[1]]
  say <- function(quantity, values) {
    cat(sprintf("%s;%s;%s\n", part[1], quantity, paste(sprintf("%.17g", values), collapse = " ")))
  }
  trial <- read.csv(file.path(folder, paste0(part[1], ".csv")))
  for (column in c("arm", "block", "batch", "room")) trial[[column]] <- factor(trial[[column]])
  fitted <- function(...) {
    suppressWarnings(lmer(as.formula(part[3]), trial, REML = part[2] == "TRUE", control = tight, ...))
  }
  # From its own start, where slopes and heights do not correlate, the search may stop at a saddle of the deviance.
  models <- list(fitted())
  own <- getME(models[[1]], "lower")
  for (tilt in if (all(own == 0)) c() else c(-0.5, 0.5)) models <- c(models, fitted(start = ifelse(own == 0, 1, tilt)))
  model <- models[[which.min(vapply(models, function(each) -2 * c(logLik(each)), 0))]]
  fixed <- length(fixef(model))
  tests <- lapply(seq_len(fixed), function(place) contest1D(model, diag(fixed)[place, ]))
  overall <- contestMD(model, diag(fixed)[2:nlevels(trial$arm), , drop = FALSE])
  for (group in names(VarCorr(model))) say(paste("component", group), VarCorr(model)[[group]])
  say("coefficients", fixef(model))
  say("covariance", as.matrix(vcov(model)))
  say("sigma", sigma(model))
  say("criterion", if (isREML(model)) REMLcrit(model) else deviance(model))
  say("df", vapply(tests, function(test) test$df, 0))
  say("p", vapply(tests, function(test) test[["Pr(>|t|)"]], 0))
  say("overall", unlist(overall[c("F value", "NumDF", "DenDF")]))
}
