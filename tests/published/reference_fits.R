# What R's survival, glm and stats make of data sets that R's survival package ships: the figures that ours are held to.
#   Rscript --vanilla reference_fits.R FOLDER
# writes FOLDER/<data set>.csv, the records as shipped, and FOLDER/figures.csv (figure, place, value with 17 digits).
# Ends with status 77 where the package is not installed.
folder <- commandArgs(trailingOnly = TRUE)[1]
if (!suppressWarnings(suppressPackageStartupMessages(require(survival)))) quit(status = 77)

figures <- list()
keep <- function(figure, values) {
  values <- as.numeric(values)
  figures[[length(figures) + 1]] <<- data.frame(
    figure = figure, place = seq_along(values), value = sprintf("%.17g", values)
  )
}
keep_cox <- function(figure, fit) {
  keep(paste0(figure, ".coef"), coef(fit))
  keep(paste0(figure, ".se"), sqrt(diag(vcov(fit))))
  keep(paste0(figure, ".loglik"), fit$loglik) # without covariates, with them
}
exact <- coxph.control(eps = 1e-13, iter.max = 100, toler.chol = 1e-14)
keep("version", unlist(packageVersion("survival")))
for (name in c("lung", "veteran", "heart", "mgus2", "rats", "kidney")) {
  write.csv(get(name), file.path(folder, paste0(name, ".csv")), row.names = FALSE)
}

## shares that have had it by then -----------------------------------------------------------------------------------
keep_curve <- function(figure, fit) {
  came <- fit$n.event > 0
  keep(paste0(figure, ".time"), fit$time[came])
  keep(paste0(figure, ".at_risk"), fit$n.risk[came])
  keep(paste0(figure, ".share"), 1 - fit$surv[came])
  keep(paste0(figure, ".se"), (fit$surv * fit$std.err)[came]) # Greenwood
  keep(paste0(figure, ".low"), 1 - fit$upper[came])
  keep(paste0(figure, ".high"), 1 - fit$lower[came])
}
lung_curve <- survfit(Surv(time, status) ~ 1, lung, conf.type = "log-log", timefix = FALSE)
keep_curve("lung.km", lung_curve)
keep("lung.median", quantile(lung_curve, 0.5)$quantile)
keep_curve("heart.km", survfit(Surv(start, stop, event) ~ 1, heart, conf.type = "log-log", timefix = FALSE))

# progression, where death competes
mgus2$months <- with(mgus2, ifelse(pstat == 0, futime, ptime))
mgus2$what <- with(mgus2, factor(ifelse(pstat == 0, 2 * death, 1), 0:2, c("lost", "progression", "death")))
keep_states <- function(figure, fit) {
  came <- rowSums(fit$n.event) > 0
  keep(paste0(figure, ".time"), fit$time[came])
  keep(paste0(figure, ".at_risk"), fit$n.risk[came, 1])
  keep(paste0(figure, ".progression"), fit$pstate[came, 2])
  keep(paste0(figure, ".death"), fit$pstate[came, 3])
  keep(paste0(figure, ".progression_se"), fit$std.err[came, 2]) # infinitesimal jackknife
}
keep_states("mgus2.aj", survfit(Surv(months, what) ~ 1, mgus2, timefix = FALSE))
# by age in months: everybody enters late, at the age of the diagnosis
mgus2$from <- 12 * mgus2$age
mgus2$to <- mgus2$from + mgus2$months
keep_states("mgus2.by_age", survfit(Surv(from, to, what) ~ 1, mgus2, id = id, timefix = FALSE))
wrong <- survfit(Surv(months, what == "progression") ~ 1, mgus2)
keep("mgus2.wrong", 1 - summary(wrong, times = c(120, 240))$surv)

## ratios: Cox --------------------------------------------------------------------------------------------------------
for (ties in c("breslow", "efron")) {
  cox <- function(formula, data) coxph(formula, data, ties = ties, control = exact)
  keep_cox(paste0("lung.", ties), cox(Surv(time, status) ~ age + sex + ph.ecog, lung))
  keep_cox(paste0("lung.strata.", ties), cox(Surv(time, status) ~ age + sex + ph.ecog + strata(inst), lung))
  keep_cox(
    paste0("veteran.strata.", ties), cox(Surv(time, status) ~ trt + karno + age + prior + strata(celltype), veteran)
  )
  keep_cox(
    paste0("heart.", ties), cox(Surv(start, stop, event) ~ age + year + surgery + (transplant == "1"), heart)
  )
}

## rates: Poisson on split records ------------------------------------------------------------------------------------
# Rows of a stratum, a band or a column without any event say nothing of the others: they are left out, as the limit of the
# likelihood does, instead of letting glm run toward minus infinity.
keep_poisson <- function(figure, data, columns, others, stratum) {
  for (part in c(stratum, "band")) data <- data[data[[part]] %in% data[[part]][data$event > 0], ]
  for (column in columns) {
    if (sum(data$event[data[[column]] == 1]) == 0) data <- data[data[[column]] == 0, ]
  }
  there <- columns[colSums(data[columns]) > 0]
  data[[stratum]] <- factor(data[[stratum]])
  data$band <- factor(data$band)
  formula <- reformulate(c("0", stratum, there, others, "offset(log(days / 365.25))"), "event")
  fit <- glm(formula, poisson, data, control = glm.control(epsilon = 1e-15, maxit = 200))
  estimate <- setNames(rep(NaN, length(columns)), columns)
  error <- estimate
  estimate[there] <- coef(fit)[there]
  error[there] <- sqrt(diag(vcov(fit)))[there]
  keep(paste0(figure, ".coef"), estimate)
  keep(paste0(figure, ".se"), error)
  keep(paste0(figure, ".stratum"), coef(fit)[grep(paste0("^", stratum), names(coef(fit)))])
}
day_edges <- c(91, 183, 365, 548, 730, 1096, 1461, 1826, 2192, 2557, 2922, 3653, 4383, 5479, 7305, 9131)

pieces <- survSplit(Surv(time, status) ~ ., veteran, cut = day_edges, episode = "band", event = "event")
pieces <- transform(
  pieces, days = time - tstart, band = factor(band), treated = trt - 1, frail = 1 * (karno < 50),
  before = 1 * (prior > 0), old = 1 * (age >= 65), cell = as.character(celltype)
)
keep_poisson("veteran.poisson", pieces, c("treated", "frail", "before", "old"), "band", "cell")

pieces <- survSplit(Surv(start, stop, event) ~ ., heart, cut = day_edges, episode = "band")
pieces <- transform(
  pieces, days = stop - start, band = factor(band), moved = 1 * (transplant == "1"), old = 1 * (age >= 0),
  recent = 1 * (year >= 3)
)
keep_poisson("heart.poisson", pieces, c("moved", "old", "recent"), "band", "surgery")

# mgus2 as the pipeline sees it: whole days, the model's own bands, every column early (first two years) and late
# again; a value that was not measured is a level of its own
bad_or_unknown <- function(data) {
  not_good <- with(data, list(age >= 70, hgb < 12, creat > 1.3, mspike >= 1.5))
  for (half in c("early", "late")) {
    for (kind in c("bad", "unknown")) {
      for (i in 1:4) {
        value <- if (kind == "bad") !is.na(not_good[[i]]) & not_good[[i]] else is.na(not_good[[i]])
        data[[paste(kind, half, i, sep = "_")]] <- 1 * (value & data$half == half)
      }
    }
  }
  data
}
columns <- as.vector(outer(1:4, c("bad_early", "bad_late", "unknown_early", "unknown_late"), function(i, k) paste(k, i, sep = "_")))
month <- 365.25 / 12
for (what in c("death", "progression")) {
  came <- if (what == "death") mgus2$death else mgus2$pstat
  months <- if (what == "death") mgus2$futime else mgus2$ptime
  records <- data.frame(mgus2[c("age", "sex", "dxyr", "hgb", "creat", "mspike")], days = floor(months * month), came = came)
  pieces <- survSplit(Surv(days, came) ~ ., records, cut = c(91, 183, 365, 730, 1096, 1826, 2922, 4383), episode = "band", event = "event")
  pieces <- transform(pieces, half = ifelse(tstart < 730, "early", "late"), days = days - tstart, band = factor(band), man = 1 * (sex == "M"))
  keep_poisson(paste0("mgus2.", what), bad_or_unknown(pieces), columns, c("man", "band"), "dxyr")
}

## a gamma factor shared by a litter, by a patient -----------------------------------------------------------------------
tight <- coxph.control(eps = 1e-13, iter.max = 100, outer.max = 100, toler.chol = 1e-14)
females <- subset(rats, sex == "f")
for (theta in c(0.2, 1)) {
  fit <- coxph(
    Surv(time, status) ~ rx + frailty(litter, theta = theta, sparse = FALSE), females, ties = "breslow", control = tight
  )
  keep(paste0("rats.", theta), c(fit$coefficients[["rx"]], sqrt(fit$var[1, 1])))
  fit <- coxph(
    Surv(time, status) ~ age + sex + frailty(id, theta = theta, sparse = FALSE), kidney, ties = "breslow", control = tight
  )
  keep(paste0("kidney.", theta), c(fit$coefficients[1:2], sqrt(diag(fit$var)[1:2])))
}
for (name in c("rats", "kidney")) {
  fit <- if (name == "rats") {
    coxph(Surv(time, status) ~ rx + frailty(litter, eps = 1e-9), females, ties = "breslow", control = tight)
  } else {
    coxph(Surv(time, status) ~ age + sex + frailty(id, eps = 1e-9), kidney, ties = "breslow", control = tight)
  }
  history <- fit$history[[1]]
  keep(paste0(name, ".free"), c(history$theta, fit$coefficients))
  keep(paste0(name, ".thetas"), history$history[, "theta"])
  keep(paste0(name, ".marginal"), history$history[, "c.loglik"])
}

## many looks, shares, orders ----------------------------------------------------------------------------------------------
# the fifteen ordered p values of Benjamini and Hochberg's own example (1995)
p_values <- c(
  0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1
)
keep("p", p_values)
keep("p.adjust", p.adjust(p_values, "BH"))
keep("nothing_of_37", binom.test(0, 37)$conf.int) # Clopper and Pearson
keep("jeffreys_12_of_40", qbeta(c(0.025, 0.975), 12.5, 28.5))

# lung: who had died by a year against who is known to have lived, told apart by age
known <- subset(lung, time >= 365 | status == 2)
died <- known$time < 365
by_age <- function(one, other) outer(one, other, function(a, b) (a > b) + (a == b) / 2)
placed <- by_age(known$age[died], known$age[!died])
keep("auc", mean(placed))
# DeLong and others 1988: the variances of the two sets of placement values
keep("auc.se", sqrt(var(rowMeans(placed)) / nrow(placed) + var(colMeans(placed)) / ncol(placed)))
jackknife <- concordance(as.numeric(died) ~ known$age)
keep("auc.concordance", c(jackknife$concordance, sqrt(jackknife$var)))

write.csv(do.call(rbind, figures), file.path(folder, "figures.csv"), row.names = FALSE)
