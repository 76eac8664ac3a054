//! Calls the fleet's mathematics for `fleet_stats.py`: questions as JSON on standard input, a list; answers as JSON on
//! standard output, in their order.

use std::io::Read;

use serde_json::{Value, json};
use yardtap::fleet::stats::chance::Stream;
use yardtap::fleet::stats::{cluster, exact, gamma_poisson, geodesy, linear, optical, poisson, rank, trend};

fn main() {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).expect("standard input is text");
    let questions: Vec<Value> = serde_json::from_str(&text).expect("standard input is a list of questions in JSON");
    let answers: Vec<Value> = questions.iter().map(answer).collect();
    println!("{}", Value::from(answers));
}

/// One question's fields.
struct Asked<'a>(&'a Value);

impl Asked<'_> {
    fn number(&self, name: &str) -> f64 {
        self.0[name].as_f64().unwrap_or_else(|| panic!("'{name}' is a number"))
    }

    fn whole(&self, name: &str) -> u64 {
        self.0[name].as_u64().unwrap_or_else(|| panic!("'{name}' is a whole number"))
    }

    fn list(&self, name: &str) -> &Vec<Value> {
        self.0[name].as_array().unwrap_or_else(|| panic!("'{name}' is a list"))
    }

    fn numbers(&self, name: &str) -> Vec<f64> {
        self.list(name).iter().map(|value| value.as_f64().expect("a number")).collect()
    }

    fn wholes(&self, name: &str) -> Vec<u64> {
        self.list(name).iter().map(|value| value.as_u64().expect("a whole number")).collect()
    }

    fn indices(&self, name: &str) -> Vec<usize> {
        self.wholes(name).into_iter().map(|value| value as usize).collect()
    }

    fn columns(&self) -> Vec<Vec<f64>> {
        let column = |value: &Value| {
            value.as_array().expect("a list").iter().map(|value| value.as_f64().expect("a number")).collect()
        };
        self.list("columns").iter().map(column).collect()
    }

    fn points(&self, name: &str) -> Vec<(f64, f64)> {
        let point = |value: &Value| (value[0].as_f64().expect("a latitude"), value[1].as_f64().expect("a longitude"));
        self.list(name).iter().map(point).collect()
    }
}

fn answer(question: &Value) -> Value {
    let asked = Asked(question);
    match question["call"].as_str().expect("'call' is a word") {
        "poisson_limits" => json!(exact::poisson_limits(asked.whole("count"), asked.number("level"))),
        "gamma_poisson" => rates(&asked),
        "ordinary" => linear::ordinary(&asked.columns(), &asked.numbers("y")).map_or(Value::Null, |fit| {
            json!({
                "coefficients": fit.coefficients, "standard_errors": fit.standard_errors,
                "residual_sd": fit.residual_sd, "r_squared": fit.r_squared,
            })
        }),
        "robust" => {
            let groups = asked.whole("groups") as usize;
            linear::robust(&asked.columns(), &asked.numbers("y"), &asked.indices("group"), groups).map_or(
                Value::Null,
                |fit| {
                    json!({
                        "coefficients": fit.coefficients, "standard_errors": fit.standard_errors, "scale": fit.scale,
                        "spread": fit.spread, "weights": fit.weights,
                        "effects": fit.effects.iter().map(|e| [e.value, e.standard_error]).collect::<Vec<_>>(),
                    })
                },
            )
        }
        "glm" => poisson::glm(&asked.columns(), &asked.wholes("counts"), &asked.numbers("offset")).map_or(
            Value::Null,
            |fit| {
                json!({
                    "coefficients": fit.coefficients, "standard_errors": fit.standard_errors, "deviance": fit.deviance,
                    "pearson": fit.pearson, "log_likelihood": fit.log_likelihood,
                })
            },
        ),
        "mixed" => causes(&asked),
        "theil_sen" => trend::theil_sen(&asked.numbers("x"), &asked.numbers("y"), asked.number("level"))
            .map_or(Value::Null, |fit| json!([fit.slope, fit.intercept, fit.low, fit.high])),
        "mann_kendall" => trend::mann_kendall(&asked.numbers("y"))
            .map_or(Value::Null, |test| json!({"s": test.s, "variance": test.variance, "z": test.z, "p": test.p})),
        "spearman" => rank::spearman(&asked.numbers("x"), &asked.numbers("y"))
            .map_or(Value::Null, |test| json!([test.rho, test.p])),
        "dbscan" => {
            json!(cluster::dbscan(&asked.points("points"), asked.number("metres"), asked.whole("least") as usize))
        }
        "metres" => {
            let pairs = asked.points("from").into_iter().zip(asked.points("to"));
            json!(pairs.map(|(from, to)| geodesy::metres(from, to)).collect::<Vec<_>>())
        }
        "dbm" => json!(asked.numbers("microwatts").into_iter().map(optical::dbm).collect::<Vec<_>>()),
        "gamma" => {
            let mut stream = Stream::new(asked.whole("seed"));
            json!((0..asked.whole("draws")).map(|_| stream.gamma(asked.number("shape"))).collect::<Vec<_>>())
        }
        "poisson" => {
            let mut stream = Stream::new(asked.whole("seed"));
            json!((0..asked.whole("draws")).map(|_| stream.poisson(asked.number("mean"))).collect::<Vec<_>>())
        }
        other => panic!("no call is named '{other}'"),
    }
}

fn rates(asked: &Asked) -> Value {
    let (counts, exposures) = (asked.wholes("counts"), asked.numbers("exposures"));
    let Some(fit) = gamma_poisson::fit(&counts, &exposures) else { return Value::Null };
    let posteriors: Vec<_> = counts.iter().zip(&exposures).map(|(x, t)| fit.posterior(*x, *t)).collect();
    let rows = posteriors.iter().map(|p| json!([p.mean(), p.sd(), p.quantile(0.05), p.quantile(0.95)]));
    json!({
        "shape": fit.shape, "rate": fit.rate, "log_likelihood": fit.log_likelihood,
        "posteriors": rows.collect::<Vec<_>>(),
        "worst": gamma_poisson::worst(&posteriors, asked.whole("k") as usize, 20_000, 1),
    })
}

fn causes(asked: &Asked) -> Value {
    let levels: Vec<Vec<u64>> = asked
        .list("levels")
        .iter()
        .map(|row| row.as_array().expect("a list").iter().map(|level| level.as_u64().expect("a level")).collect())
        .collect();
    let rows: Vec<poisson::Row> = asked
        .wholes("counts")
        .into_iter()
        .zip(asked.numbers("exposures"))
        .zip(levels)
        .map(|((count, exposure), levels)| {
            let levels = levels.into_iter().map(|level| Some(level as usize)).collect();
            poisson::Row { count, exposure, levels }
        })
        .collect();
    let begun = std::time::Instant::now();
    let Some(fit) = poisson::mixed(&rows, &asked.indices("sizes")) else { return Value::Null };
    let factors = fit.factors.iter().map(|factor| {
        json!({
            "effects": factor.effects.iter().map(|e| [e.value, e.standard_error]).collect::<Vec<_>>(),
            "sd": [factor.sd.value, factor.sd.low, factor.sd.high],
            "share": [factor.share.value, factor.share.low, factor.share.high],
            "p": factor.p,
        })
    });
    json!({
        "intercept": [fit.intercept.value, fit.intercept.standard_error],
        "factors": factors.collect::<Vec<_>>(),
        "told_apart": fit.told_apart,
        "why": fit.why.words(&["first", "second", "third"]),
        "seconds": begun.elapsed().as_secs_f64(),
    })
}
