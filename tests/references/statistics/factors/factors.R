# Makes shots.csv (data of our own) where it is missing, and expected.csv (what R says of factors and trends).
#   apt-get install r-base-core r-cran-lme4 r-cran-lmertest r-cran-emmeans r-cran-pbkrtest r-cran-car
#   Rscript factors.R
# Made with R 4.2.2, lme4 1.1-31, emmeans 1.8.4-1, pbkrtest 0.5.2, car 3.1-1 (the data set Moore of carData 3.0-5).
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(emmeans); library(carData)})
emm_options(msg.interaction = FALSE)

if (!file.exists("shots.csv")) {
  set.seed(20240612)
  rows <- NULL
  own <- c(S1 = -6, S2 = 0, S3 = 9)
  for (shaft in c("N", "M", "P")) for (taper in c("long", "short")) {
    if (shaft == "P" && taper == "short") next
    ferrule <- c(N = 8, M = 12, P = 25)[[shaft]]
    for (shooter in names(own)) {
      n <- sample(3:7, 1)
      centre <- 60 + 0.4 * ferrule - 7 * (taper == "short") + own[[shooter]] + rnorm(1, 0, 4)
      rows <- rbind(rows, data.frame(data = "one missing", condition = paste0(shaft, " ", taper), shaft, taper,
        ferrule_mm = ferrule, shooter, reading_mm = round(centre + rnorm(n, 0, 6), 1)))
    }
  }
  full <- subset(rows, shaft != "P"); full$data <- "complete"
  # Moore & Krupat 1971, as in Fox, Applied Regression Analysis: an unbalanced 2 x 3 table.
  moore <- data.frame(data = "Moore", condition = paste(Moore$partner.status, Moore$fcategory),
    shaft = Moore$fcategory, taper = Moore$partner.status, ferrule_mm = NA, shooter = "S1",
    reading_mm = Moore$conformity)
  write.csv(rbind(rows, full, moore), "shots.csv", row.names = FALSE, quote = FALSE)
}
shots <- read.csv("shots.csv", stringsAsFactors = TRUE)
found <- NULL
add <- function(data, scope, what, table, df = TRUE) for (k in seq_len(nrow(table))) {
  one <- table[k, ]
  found <<- rbind(found, data.frame(data, scope, what, contrast = if (is.null(one$contrast)) "" else one$contrast,
    difference = one$estimate, se = one$SE, df = if (df) one$df else NA))
}
for (name in c("one missing", "complete")) {
  d <- droplevels(shots[shots$data == name, ])
  model <- if (name == "complete") reading_mm ~ shaft * taper + (1 | shooter) + (1 | shooter:condition) else
    reading_mm ~ shaft + taper + (1 | shooter) + (1 | shooter:condition)
  fit <- do.call(lmer, list(model, d))
  for (what in c("shaft", "taper"))
    add(name, "general", what, as.data.frame(pairs(emmeans(fit, what, lmer.df = "kenward-roger"), reverse = TRUE)))
  # These shooters: means of cells, all alike; the error from each cell's own scatter.
  d$cell <- interaction(d$condition, d$shooter, drop = TRUE)
  cells <- aggregate(reading_mm ~ condition + shaft + taper + shooter + cell, d, mean)
  error <- tapply(d$reading_mm, d$cell, var) / tapply(d$reading_mm, d$cell, length)
  error <- error[as.character(cells$cell)]
  by <- if (name == "complete") lm(reading_mm ~ shaft * taper + shooter, cells) else
    lm(reading_mm ~ shaft + taper + shooter, cells)
  X <- model.matrix(by); A <- solve(crossprod(X), t(X))
  for (what in c("shaft", "taper"))
    add(name, "these", what, as.data.frame(pairs(emmeans(by, what, vcov. = A %*% diag(error) %*% t(A)),
                                                 reverse = TRUE)), df = FALSE)
}
d <- droplevels(shots[shots$data == "one missing" & shots$taper == "long", ])
fit <- lmer(reading_mm ~ ferrule_mm + (1 | shooter) + (1 | shooter:condition), d)
one <- as.data.frame(summary(emtrends(fit, ~ 1, "ferrule_mm", lmer.df = "kenward-roger")))
add("one missing", "general", "ferrule_mm", data.frame(estimate = one$ferrule_mm.trend, SE = one$SE, df = one$df))
# Marginal means of an unbalanced table; Type III hypotheses are about them.
m <- droplevels(shots[shots$data == "Moore", ])
fit <- lm(reading_mm ~ shaft * taper, m)
for (what in c("shaft", "taper"))
  add("Moore", "these", what, as.data.frame(pairs(emmeans(fit, what), reverse = TRUE)), df = FALSE)
write.csv(format(found, digits = 10), "expected.csv", row.names = FALSE, quote = FALSE)
