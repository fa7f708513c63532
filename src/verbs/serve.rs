//! `stiffbus serve [DIR]`: a page for this computer only. A log dropped on it becomes a
//! report, as `stiffbus LOG` makes one. Nothing leaves the computer.

mod guard;
mod report_store;
mod upload;

use std::net::Ipv4Addr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use axum::Router;
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};
use clap::Args;
use tokio::net::TcpListener;

use crate::files::resolved;
use crate::format::shown;
use crate::units::Units;
use crate::verbs::options::{CarFlags, ShownFlags};
use crate::verbs::{complain, output, screen};

use report_store::ReportStore;

#[derive(Debug, Clone, Default, Args)]
pub struct ServeArgs {
    /// Folder whose stiffbus-report takes the reports, and whose car.toml is the car's
    /// [default: the current one]
    #[arg(value_name = "DIR")]
    pub dir: Option<PathBuf>,
    /// Port on 127.0.0.1 [default: one that is free]
    #[arg(long, value_name = "N")]
    pub port: Option<u16>,
    /// Open the page in the browser
    #[arg(long)]
    pub open: bool,
    #[command(flatten)]
    pub shown: ShownFlags,
    #[command(flatten)]
    pub car: CarFlags,
}

/// What every request is answered with.
struct Bench {
    /// Where a log would lie that is dropped here: its car.toml lies beside it.
    home: PathBuf,
    car: CarFlags,
    units: Units,
    reports: ReportStore,
    /// What a browser on this computer calls us.
    hosts: [String; 2],
    /// One log at a time is held in memory.
    turn: tokio::sync::Mutex<()>,
}

pub fn run(args: &ServeArgs) -> ExitCode {
    output::run(None, || {
        let home = args.dir.clone().unwrap_or_else(|| PathBuf::from("."));
        if !home.is_dir() {
            return Err(format!(
                "{}: not a folder; name a folder for the reports, or none for the current one",
                shown(&home)
            )
            .into());
        }
        // An error in car.toml shows now, not at the first log.
        let car = args.car.car(&home.join("log.csv"))?;
        if let Some(useless) = args.car.useless_conditions(&car) {
            complain(useless);
        }
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(until_stopped(args, &home))?;
        Ok(ExitCode::SUCCESS)
    })
}

async fn until_stopped(args: &ServeArgs, home: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let port = args.port.unwrap_or(0);
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await.map_err(|e| {
        format!(
            "port {port} on 127.0.0.1 cannot be opened ({e}); leave out --port to get a free one"
        )
    })?;
    let port = listener.local_addr()?.port();
    let reports = ReportStore::of(&resolved(home)?);
    // The handler is active after its first poll, so poll it before mentioning Ctrl-C.
    let ctrl_c = tokio::spawn(tokio::signal::ctrl_c());
    tokio::task::yield_now().await;
    let page = format!("http://127.0.0.1:{port}/");
    screen::show(&format!(
        "Drop logs on {page}\nReports go to {}. Only this computer can use the page. Ctrl-C stops it.\n",
        shown(reports.folder())
    ))?;
    let bench = Bench {
        home: home.to_owned(),
        car: args.car.clone(),
        units: args.shown.units,
        reports,
        hosts: [format!("127.0.0.1:{port}"), format!("localhost:{port}")],
        turn: tokio::sync::Mutex::new(()),
    };
    if args.open {
        output::open(Path::new(&page));
    }
    let stopped = async {
        // Where Ctrl-C cannot be heard, it ends the program by itself.
        if !matches!(ctrl_c.await, Ok(Ok(()))) {
            std::future::pending::<()>().await;
        }
    };
    axum::serve(listener, routes(Arc::new(bench))).with_graceful_shutdown(stopped).await?;
    Ok(())
}

fn routes(bench: Arc<Bench>) -> Router {
    Router::new()
        .route("/", get(report_store::page))
        .route("/logs", post(upload::dropped))
        .route("/reports/{name}/{file}", get(report_store::file))
        .layer(from_fn_with_state(bench.clone(), guard::door))
        .with_state(bench)
}
