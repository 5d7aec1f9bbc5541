# Makes shots.csv (data of our own, drawn once) where it is missing, and expected.csv (what R says of them).
#   apt-get install r-base-core r-cran-lme4 r-cran-lmertest r-cran-emmeans r-cran-pbkrtest
#   Rscript comparisons.R
# Made with R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, emmeans 1.8.4-1, pbkrtest 0.5.2, nlme 3.1-162.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(emmeans); library(nlme)})

draw <- function(name, counts, interaction = 5, sd = 10, step = 4) {
  sd <- rep(sd, length.out = ncol(counts))
  own <- rnorm(ncol(counts), 0, 8)
  rows <- NULL
  for (c in 1:nrow(counts)) for (s in 1:ncol(counts)) if (counts[c, s] > 0) {
    centre <- 60 + step * (c == 2) + own[s] + rnorm(1, 0, interaction)
    values <- round(centre + rnorm(counts[c, s], 0, sd[s]), 1)
    rows <- rbind(rows, data.frame(data = name, condition = paste0("C", c), shooter = paste0("S", s),
                                   reading_mm = values))
  }
  rows
}
by_row <- function(conditions, ...) matrix(c(...), conditions, byrow = TRUE)

if (!file.exists("shots.csv")) {
  set.seed(20240611)
  write.csv(rbind(
    draw("balanced 3 x 3", matrix(5, 3, 3), 9),
    draw("balanced 2 x 4", matrix(4, 2, 4), 9),
    draw("balanced 4 x 2", matrix(6, 4, 2), 9),
    draw("one shot a cell", matrix(1, 3, 6), 6),
    draw("unbalanced 3 x 4", by_row(3, 7, 8, 6, 3, 8, 5, 5, 6, 4, 6, 3, 7), 9),
    draw("unbalanced 3 x 2", by_row(3, 7, 8, 3, 8, 5, 6), 9),
    draw("unbalanced 2 x 5", by_row(2, 3, 6, 4, 5, 3, 5, 3, 6, 4, 4), 9),
    draw("unbalanced without interaction", by_row(3, 7, 4, 6, 3, 5, 5, 4, 6, 8), 0),
    draw("missing cells", by_row(3, 6, 4, 5, 0, 5, 0, 4, 6, 4, 5, 6, 3), 9),
    draw("shooters scatter unequally", by_row(3, 5, 4, 6, 4, 4, 6, 5, 6, 5), 6, c(3, 6, 15)),
    draw("one shooter", by_row(3, 5, 7, 4), 0, 6)
  ), "shots.csv", row.names = FALSE, quote = FALSE)
}
shots <- read.csv("shots.csv", stringsAsFactors = TRUE)
found <- NULL
for (name in unique(as.character(shots$data))) {
  d <- droplevels(shots[shots$data == name, ])
  conditions <- levels(d$condition)
  couples <- combn(conditions, 2)
  d$cell <- interaction(d$condition, d$shooter, drop = TRUE)
  # These shooters: a variance for each cell by nlme::gls, standard errors by emmeans, Welch-Satterthwaite df by hand.
  if (min(table(d$cell)) > 1) {
    grid <- emmeans(gls(reading_mm ~ cell, d, weights = varIdent(form = ~ 1 | cell)), "cell", mode = "df.error")
    s2 <- tapply(d$reading_mm, d$cell, var); n <- tapply(d$reading_mm, d$cell, length)
    for (k in 1:ncol(couples)) {
      both <- Filter(function(s) all(paste(couples[, k], s, sep = ".") %in% levels(d$cell)), levels(d$shooter))
      weight <- setNames(rep(0, nlevels(d$cell)), levels(d$cell))
      weight[paste(couples[2, k], both, sep = ".")] <- 1 / length(both)
      weight[paste(couples[1, k], both, sep = ".")] <- -1 / length(both)
      one <- as.data.frame(contrast(grid, list(pair = unname(weight[as.character(grid@grid$cell)]))))
      part <- weight^2 * s2 / n
      df <- sum(part)^2 / sum(part^2 / (n - 1))
      p <- ptukey(sqrt(2) * abs(one$estimate / one$SE), length(conditions), df, lower.tail = FALSE)
      found <- rbind(found, data.frame(data = name, scope = "these", a = couples[1, k], b = couples[2, k],
                                       difference = one$estimate, se = one$SE, df = df, p = p))
    }
  }
  # Shooters in general: lmer, emmeans with Kenward and Roger's degrees of freedom (pbkrtest).
  if (nlevels(d$shooter) > 1) {
    model <- if (max(table(d$cell)) > 1) reading_mm ~ condition + (1 | shooter) + (1 | shooter:condition) else
      reading_mm ~ condition + (1 | shooter)
    fit <- do.call(lmer, list(model, d, control = lmerControl(optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-14))))
    all <- as.data.frame(pairs(emmeans(fit, "condition", lmer.df = "kenward-roger"), reverse = TRUE))
    for (k in 1:ncol(couples)) {
      one <- all[all$contrast == paste(couples[2, k], "-", couples[1, k]), ]
      found <- rbind(found, data.frame(data = name, scope = "general", a = couples[1, k], b = couples[2, k],
                                       difference = one$estimate, se = one$SE, df = one$df, p = one$p.value))
    }
  }
}
write.csv(format(found, digits = 10), "expected.csv", row.names = FALSE, quote = FALSE)
