//! Problem details (RFC 9457): the one place that turns errors into HTTP.

use actix_web::http::StatusCode;
use actix_web::http::header::{ContentType, RETRY_AFTER, WWW_AUTHENTICATE};
use actix_web::{HttpResponse, ResponseError};
use cotyl_app::Error;
use cotyl_domain::quantity::Volume;
use cotyl_domain::{FieldProblem, Refusal};
use serde::Serialize;
use utoipa::{IntoResponses, ToSchema};

/// A problem with a field of the request.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ProblemField {
    /// JSON pointer into the body, or the name of a parameter.
    #[schema(example = "/weekly_minutes")]
    pub pointer: String,
    /// Stable word for the kind of problem.
    #[schema(example = "range")]
    pub code: String,
    /// What is wrong and what would be accepted.
    #[schema(example = "must be between 0 and 100000; it is -5")]
    pub detail: String,
}

impl From<FieldProblem> for ProblemField {
    fn from(problem: FieldProblem) -> Self {
        Self {
            pointer: problem.pointer,
            code: problem.code.to_owned(),
            detail: problem.detail,
        }
    }
}

/// How far containers may be filled, where more was to be poured in.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PassedRefillLimit {
    /// Liquid in a container now.
    pub level: Volume,
    /// What was to be poured into each.
    pub wanted: Volume,
    /// The highest level.
    pub highest: Volume,
    /// What can be added to each.
    pub may_add: Volume,
    /// Why no more.
    pub reason: &'static str,
    /// Where the rule comes from.
    pub source: &'static str,
}

impl PassedRefillLimit {
    fn of(refusal: &Refusal) -> Option<Box<Self>> {
        let Refusal::PastRefillLimit {
            level,
            wanted,
            highest,
            may_add,
            why,
            rule_source,
        } = refusal
        else {
            return None;
        };
        Some(Box::new(Self {
            level: *level,
            wanted: *wanted,
            highest: *highest,
            may_add: *may_add,
            reason: why,
            source: rule_source,
        }))
    }
}

/// Why a request was not done (RFC 9457).
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Problem {
    /// Stable name of the kind of problem.
    #[serde(rename = "type")]
    #[schema(example = "urn:cotyl:problem:invalid")]
    pub kind: String,
    /// The kind in a few words.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What happened, in words a person can act on.
    pub detail: String,
    /// Problems of single fields; of `not-entered` what stands against it, by the last part of its problem
    /// type; where several tasks were asked for together, which of them stands in the way and why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub errors: Vec<ProblemField>,
    /// Of `past-refill-limit`: its figures.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(required = false, nullable = false)]
    pub refill_limit: Option<Box<PassedRefillLimit>>,
    #[serde(skip)]
    retry_after_seconds: Option<u32>,
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {}", self.kind, self.detail)
    }
}

impl Problem {
    /// A problem of a kind.
    pub fn new(
        status: StatusCode,
        code: &str,
        title: impl Into<String>,
        detail: impl Into<String>,
    ) -> Self {
        Self {
            kind: format!("urn:cotyl:problem:{code}"),
            title: title.into(),
            status: status.as_u16(),
            detail: detail.into(),
            errors: Vec::new(),
            refill_limit: None,
            retry_after_seconds: None,
        }
    }

    /// A request that cannot be read.
    pub fn malformed(detail: impl Into<String>) -> Self {
        Self::new(
            StatusCode::BAD_REQUEST,
            "malformed",
            "The request cannot be read",
            detail,
        )
    }

    /// One field or parameter that cannot be accepted.
    pub fn field(pointer: &str, code: &'static str, detail: impl Into<String>) -> Self {
        Error::field(pointer, code, detail).into()
    }
}

/// What stands against accepting a report, as a problem of the field that accepts it; what stands against one
/// of several tasks, as a problem of the field that names it.
fn against(refusal: &Refusal) -> Vec<ProblemField> {
    match refusal {
        Refusal::NotEntered { cause, why, .. } => {
            vec![FieldProblem::new("/accept", cause, why.clone()).into()]
        }
        Refusal::OneOfSeveral { pointer, why, .. } => {
            vec![FieldProblem::new(pointer.clone(), why.code(), why.to_string()).into()]
        }
        _ => Vec::new(),
    }
}

impl From<Error> for Problem {
    fn from(error: Error) -> Self {
        let detail = error.to_string();
        match error {
            Error::NotFound(_) => {
                Self::new(StatusCode::NOT_FOUND, "not-found", "Not found", detail)
            }
            Error::Forbidden(_) | Error::ForbiddenKind { .. } => {
                Self::new(StatusCode::FORBIDDEN, "forbidden", "Not allowed", detail)
            }
            Error::Unauthenticated(_) => Self::new(
                StatusCode::UNAUTHORIZED,
                "unauthenticated",
                "Not signed in",
                detail,
            ),
            Error::Refused(refusal) => {
                let status = match refusal {
                    Refusal::KeyReused => StatusCode::UNPROCESSABLE_ENTITY,
                    _ => StatusCode::CONFLICT,
                };
                Self {
                    refill_limit: PassedRefillLimit::of(&refusal),
                    errors: against(&refusal),
                    ..Self::new(
                        status,
                        refusal.code(),
                        "Not possible as things stand",
                        detail,
                    )
                }
            }
            Error::Invalid(fields) => Self {
                errors: fields.into_iter().map(Into::into).collect(),
                ..Self::new(
                    StatusCode::UNPROCESSABLE_ENTITY,
                    "invalid",
                    "Not acceptable",
                    detail,
                )
            },
            Error::Stale { .. } => Self::new(
                StatusCode::PRECONDITION_FAILED,
                "stale",
                "Changed in the meantime",
                detail,
            ),
            Error::Throttled { seconds } => Self {
                retry_after_seconds: Some(u32::try_from(seconds).unwrap_or(u32::MAX)),
                ..Self::new(
                    StatusCode::TOO_MANY_REQUESTS,
                    "throttled",
                    "Too many attempts",
                    detail,
                )
            },
            Error::Unavailable(cause) | Error::Contended(cause) => {
                tracing::warn!(cause = %cause, "unavailable");
                Self {
                    retry_after_seconds: Some(2),
                    ..Self::new(
                        StatusCode::SERVICE_UNAVAILABLE,
                        "unavailable",
                        "Not available at the moment",
                        detail,
                    )
                }
            }
            Error::Overtaken => Self {
                retry_after_seconds: Some(1),
                ..Self::new(
                    StatusCode::SERVICE_UNAVAILABLE,
                    "unavailable",
                    "Not available at the moment",
                    detail,
                )
            },
            Error::Internal(cause) => {
                tracing::error!(cause = ?cause, "internal error");
                Self::new(
                    StatusCode::INTERNAL_SERVER_ERROR,
                    "internal",
                    "Internal error",
                    "something went wrong here; the log has more under this request's id",
                )
            }
        }
    }
}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    fn error_response(&self) -> HttpResponse {
        let mut response = HttpResponse::build(self.status_code());
        if let Some(seconds) = self.retry_after_seconds {
            response.insert_header((RETRY_AFTER, seconds.to_string()));
        }
        if self.status == StatusCode::UNAUTHORIZED.as_u16() {
            response.insert_header((WWW_AUTHENTICATE, "Bearer"));
        }
        response.insert_header(ContentType(
            "application/problem+json"
                .parse()
                .unwrap_or(actix_web::mime::APPLICATION_JSON),
        ));
        response.body(serde_json::to_string(self).unwrap_or_default())
    }
}

macro_rules! problem_responses {
    ($(#[$doc:meta])* $name:ident { $( $status:literal $variant:ident $description:literal, )* }) => {
        $(#[$doc])*
        #[derive(IntoResponses)]
        #[allow(dead_code)] // named in the API document only
        pub enum $name {
            $(
                #[doc = $description]
                #[response(status = $status, description = $description, content_type = "application/problem+json")]
                $variant(Problem),
            )*
        }
    };
}

problem_responses! {
    /// Problems of reading.
    ReadProblems {
        400 Malformed "The request cannot be read",
        401 Unauthenticated "Not signed in",
        403 Forbidden "The roles of the member do not allow it",
        404 NotFound "No such record",
        422 Invalid "A parameter cannot be accepted",
        503 Unavailable "Not available at the moment",
    }
}

problem_responses! {
    /// Problems of making something.
    WriteProblems {
        400 Malformed "The request cannot be read",
        401 Unauthenticated "Not signed in",
        403 Forbidden "The roles of the member do not allow it",
        404 NotFound "No such record",
        409 Conflict "Not possible as things stand",
        413 TooLarge "The body is too large",
        415 WrongMediaType "The body is not of the media type asked for",
        422 Invalid "Fields cannot be accepted, or the idempotency key was used for another request",
        503 Unavailable "Not available at the moment",
    }
}

problem_responses! {
    /// Problems of changing a record.
    ChangeProblems {
        400 Malformed "The request cannot be read",
        401 Unauthenticated "Not signed in",
        403 Forbidden "The roles of the member do not allow it",
        404 NotFound "No such record",
        409 Conflict "Not possible as things stand",
        412 Stale "The record was changed since it was read",
        413 TooLarge "The body is too large",
        415 WrongMediaType "The body is not of the media type asked for",
        422 Invalid "Fields cannot be accepted",
        428 PreconditionRequired "If-Match is missing",
        503 Unavailable "Not available at the moment",
    }
}

problem_responses! {
    /// Problems of the ways in that need no token.
    EntranceProblems {
        400 Malformed "The request cannot be read",
        401 Unauthenticated "Address and password, or the token, are not right",
        409 Conflict "Not possible as things stand",
        413 TooLarge "The body is too large",
        415 WrongMediaType "The body is not JSON",
        422 Invalid "Fields cannot be accepted",
        429 Throttled "Too many attempts",
        503 Unavailable "Not available at the moment",
    }
}

problem_responses! {
    /// Problems of what is read by a secret address.
    FeedProblems {
        400 Malformed "The request cannot be read",
        404 NotFound "There is none, or no longer",
        429 Throttled "Too many attempts",
        503 Unavailable "Not available at the moment",
    }
}
