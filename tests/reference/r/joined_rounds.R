# What the scripts of this folder share: one mixed model of several rounds, fitted by lme4,
# its effects told between real settings with pbkrtest's Kenward-Roger errors.
#
# Written for R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, Matrix 1.5-3. Sourced, not run.

suppressPackageStartupMessages({
  library(lme4)
  library(pbkrtest)
})

numeric_factor <- function(low, high, unit = "") list(low = low, high = high, unit = unit)
kinds <- function(...) c(...)
is_number <- function(factor) is.list(factor)
middle <- function(factor) (factor$low + factor$high) / 2
shown <- function(factor, value) trimws(paste(format(value, digits = 15), factor$unit))

# Settings as lme4 gets them: a number over its range as -1 to 1, a kind coded to sum to zero
coded <- function(data, factors) {
  for (name in names(factors)) {
    one <- factors[[name]]
    data[[name]] <- if (is_number(one)) {
      (data[[name]] - middle(one)) / ((one$high - one$low) / 2)
    } else {
      factor(data[[name]], levels = one)
    }
  }
  data
}

formula_of <- function(terms) {
  # hydration^2 is a square: I(hydration^2)
  right <- paste(gsub("([a-z]+\\^2)", "I(\\1)", terms), collapse = " + ")
  stats::terms(as.formula(paste("~", right)), keep.order = TRUE)
}

columns_of <- function(data, factors, terms) {
  of_kinds <- Filter(Negate(is_number), factors)
  coding <- lapply(of_kinds, function(one) contr.sum(length(one)))
  model.matrix(formula_of(terms), coded(data, factors),
    contrasts.arg = if (length(coding)) coding)
}

# The model's row at a setting of some factors: the other numbers in the middle of their range,
# averaged over the kinds of the others
row_at <- function(setting, factors, terms) {
  all <- lapply(names(factors), function(name) {
    one <- factors[[name]]
    if (name %in% names(setting)) setting[[name]] else if (is_number(one)) middle(one) else one
  })
  names(all) <- names(factors)
  colMeans(columns_of(expand.grid(all, stringsAsFactors = FALSE), factors, terms))
}

# What an effect compares: a number high with low, its square the ends with the middle, a kind with
# the first one; settings with their weights
compared <- function(name, power, factors) {
  one <- factors[[name]]
  if (!is_number(one)) {
    return(lapply(one[-1], function(kind) {
      list(settings = list(kind, one[1]), weights = c(1, -1), level = kind, reference = one[1])
    }))
  }
  low <- shown(one, one$low)
  high <- shown(one, one$high)
  if (power == 2) {
    list(list(
      settings = list(one$low, one$high, middle(one)), weights = c(1 / 2, 1 / 2, -1),
      level = paste(low, "or", high), reference = shown(one, middle(one))
    ))
  } else {
    list(list(
      settings = list(one$high, one$low), weights = c(1, -1), level = high, reference = low
    ))
  }
}

# A term's effects, as differences of the model's rows. Of a pair: half of how much the effect of
# the first factor changes between the settings of the second
effects_of <- function(term, factors, terms) {
  parts <- strsplit(term, ":", fixed = TRUE)[[1]]
  names_of <- sub("\\^2$", "", parts)
  power <- ifelse(grepl("\\^2$", parts), 2, 1)
  choices <- Map(function(n, p) compared(n, p, factors), names_of, power)
  if (length(parts) == 1) {
    return(lapply(choices[[1]], function(one) {
      rows <- lapply(one$settings, function(s) row_at(setNames(list(s), names_of), factors, terms))
      list(term = term, level = one$level, reference = one$reference,
        row = Reduce(`+`, Map(`*`, rows, one$weights)))
    }))
  }
  found <- list()
  for (a in choices[[1]]) {
    for (b in choices[[2]]) {
      row <- 0
      for (i in seq_along(a$settings)) {
        for (j in seq_along(b$settings)) {
          setting <- setNames(list(a$settings[[i]], b$settings[[j]]), names_of)
          row <- row + a$weights[i] * b$weights[j] * row_at(setting, factors, terms) / 2
        }
      }
      found <- c(found, list(list(
        term = term, level = paste0(a$level, ", ", b$level),
        reference = paste0(a$reference, ", ", b$reference), row = row
      )))
    }
  }
  found
}

# REML by bobyqa, then by Nelder-Mead from there until neither finds anything better
tightly_fitted <- function(formula, data) {
  bobyqa <- lmerControl(
    optimizer = "bobyqa", calc.derivs = FALSE, check.conv.singular = "ignore",
    optCtrl = list(rhobeg = 0.2, rhoend = 1e-10, maxfun = 1e5)
  )
  simplex <- lmerControl(
    optimizer = "Nelder_Mead", calc.derivs = FALSE, check.conv.singular = "ignore",
    optCtrl = list(FtolAbs = 1e-15, FtolRel = 1e-15, XtolRel = 1e-12, maxfun = 1e5)
  )
  fit <- lmer(formula, data, REML = TRUE, control = bobyqa)
  for (turn in 1:3) {
    for (control in list(simplex, bobyqa)) {
      new <- lmer(formula, data, REML = TRUE, control = control, start = getME(fit, "theta"))
      if (deviance(new, REML = TRUE) < deviance(fit, REML = TRUE)) fit <- new
    }
  }
  fit
}

# name: of the files written. factors: in the order of the terms' names. fixed: a column whose
# levels are blocks. random: columns, a random intercept each. own_reference: whether reference
# bakes have one column of their own, their settings silenced
joined <- function(name, factors, terms, fixed = "round", random = c("bake", "taster"),
                   own_reference = FALSE, input = name) {
  data <- read.csv(paste0(input, "_input.csv"), encoding = "UTF-8")
  M <- columns_of(data, factors, terms)
  owner <- attr(M, "assign")
  silent <- own_reference & data$role == "reference"
  M[silent, owner > 0] <- 0
  X <- M
  if (length(fixed)) {
    block <- factor(data[[fixed]])
    X <- cbind(X, contr.sum(nlevels(block))[as.integer(block), , drop = FALSE])
  }
  if (own_reference) X <- cbind(X, as.numeric(silent))
  stopifnot(qr(X)$rank == ncol(X))
  colnames(X) <- paste0("x", seq_len(ncol(X)))
  for (group in random) data[[group]] <- factor(data[[group]])
  data$X <- X
  right <- paste0("(1 | ", random, ")", collapse = " + ")
  fit <- tightly_fitted(as.formula(paste("liking ~ 0 + X +", right)), data)

  whole <- function(row) c(row, rep(0, ncol(X) - length(row)))
  plain <- vcov(fit)
  adjusted <- vcovAdj(fit)
  found <- do.call(c, lapply(terms, effects_of, factors = factors, terms = terms))
  effects <- do.call(rbind, lapply(found, function(one) {
    L <- whole(one$row)
    data.frame(
      term = one$term, level = one$level, reference = one$reference,
      estimate = sum(L * fixef(fit)),
      se = sqrt(drop(as.matrix(t(L) %*% adjusted %*% L))),
      df_kr = Lb_ddf(L, plain, adjusted)
    )
  }))
  tests <- do.call(rbind, lapply(seq_along(terms), function(place) {
    L <- t(sapply(which(owner == place), function(column) {
      replace(numeric(ncol(X)), column, 1)
    }))
    stats <- KRmodcomp(fit, L)$test["Ftest", ]
    data.frame(
      term = terms[place], num_df = stats$ndf, den_df = stats$ddf, scale = stats$F.scaling,
      F = stats$stat, p = stats$p.value
    )
  }))
  spread <- as.data.frame(VarCorr(fit))
  variance <- spread$vcov[match(c(random, "Residual"), spread$grp)]
  variances <- data.frame(
    source = c(random, "tasting"), variance = variance, sd = sqrt(variance),
    share = variance / sum(variance)
  )
  written(effects, paste0(name, "_output.csv"))
  written(tests, paste0(name, "_tests.csv"))
  written(variances, paste0(name, "_variance.csv"))
}

# Eight digits, of which the optimiser settles about seven; UTF-8 whatever the locale; a text in
# quotes where it holds a comma
written <- function(table, path) {
  cells <- lapply(table, function(column) {
    if (is.numeric(column)) return(sprintf("%.8g", column))
    ifelse(grepl(",", column, fixed = TRUE), paste0('"', column, '"'), column)
  })
  lines <- c(paste(names(table), collapse = ","), do.call(paste, c(cells, sep = ",")))
  file <- file(path, open = "wb")
  writeLines(enc2utf8(lines), file, sep = "\n", useBytes = TRUE)
  close(file)
}
