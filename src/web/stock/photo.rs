//! Pictures of a crate: made small, stripped of what the camera says, and shown.

use std::io::Cursor;

use axum::{
    Extension,
    body::Bytes,
    extract::{
        DefaultBodyLimit, Multipart, Path, Query, State,
        multipart::{MultipartError, MultipartRejection},
        rejection::{BytesRejection, PathRejection, QueryRejection},
    },
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Redirect, Response},
};
use image::{
    DynamicImage, ImageDecoder, ImageError, ImageReader, Limits,
    codecs::jpeg::JpegEncoder,
    error::{LimitError, LimitErrorKind},
    imageops::FilterType,
};
use serde::Deserialize;
use tracing::error;

use super::{
    super::{Site, access::Who, acts, pages::Failed},
    form::Fields,
    krate::href,
};
use crate::{
    problem::Problem,
    stock::ledger::bad_key,
    store::{
        StoreError,
        photos::{Kept, Photo},
    },
};

/// Longest side that is kept, in pixels: enough to tell mould from soil.
const SIDE: u32 = 1280;
/// Quality of the JPEG that is kept, of 100.
const QUALITY: u8 = 78;
/// Most that is taken, in bytes: a picture of a phone as it comes.
const BYTES: usize = 12 << 20;
/// Most that is taken of what a script has made small already, in bytes.
const SMALL_BYTES: usize = 2 << 20;
/// Most that is heard out, in bytes; whoever sends more is cut off.
const HEARD_OUT: usize = 64 << 20;
/// Largest side that is read, in pixels, and most memory for reading it, in bytes.
const READ: (u32, u64) = (9000, 96 << 20);

/// The layer that lets a picture through.
pub(super) fn limit() -> DefaultBodyLimit {
    DefaultBodyLimit::max(HEARD_OUT)
}

/// The same for a script's.
pub(super) fn limit_sent() -> DefaultBodyLimit {
    DefaultBodyLimit::max(SMALL_BYTES)
}

/// `POST /crate/photo`, as a form with the fields `crate`, `key` and `photo`.
pub(super) async fn keep(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    form: Result<Multipart, MultipartRejection>,
) -> Result<Response, Failed> {
    let form = form.map_err(|e| acts::refuse(&site, e.status(), e.body_text()))?;
    let read = read(form).await;
    let (fields, bytes) = read.map_err(|e| acts::refuse(&site, e.status(), e.body_text()))?;
    if BYTES < bytes.len() {
        let why = format!(
            "the picture is larger than {} MB; let the phone make it smaller",
            BYTES >> 20
        );
        return Err(acts::refuse(&site, StatusCode::PAYLOAD_TOO_LARGE, why));
    }
    let code = fields.get("crate");
    let key = match fields.get("key") {
        "" => super::form::key(),
        key => key.to_owned(),
    };
    match take(&site, who, code, key, bytes).await {
        Ok(_) => Ok(Redirect::to(&format!("{}#photos", href(code))).into_response()),
        Err(Refused::Because(why)) => {
            Err(acts::refuse(&site, StatusCode::UNPROCESSABLE_ENTITY, why))
        }
        Err(Refused::Store(error)) => Err(Failed::store(&site)(error)),
    }
}

/// Of which crate a script sends a picture, and under which key.
#[derive(Debug, Deserialize)]
pub(super) struct Sent {
    #[serde(rename = "crate")]
    code: String,
    key: String,
}

/// `POST /api/stock/photos?crate=..&key=..`: the picture alone; 201 when it is kept, 200 when it was before.
pub(super) async fn keep_sent(
    State(site): State<Site>,
    who: Option<Extension<Who>>,
    sent: Result<Query<Sent>, QueryRejection>,
    bytes: Result<Bytes, BytesRejection>,
) -> Response {
    let sent = match sent {
        Ok(Query(sent)) => sent,
        Err(error) => return told(StatusCode::BAD_REQUEST, error.body_text()),
    };
    if let Some(why) = bad_key(&sent.key) {
        return told(StatusCode::BAD_REQUEST, why.to_owned());
    }
    let bytes = match bytes {
        Ok(bytes) => bytes,
        Err(error) => return told(error.status(), error.body_text()),
    };
    match take(&site, who, &sent.code, sent.key, bytes.into()).await {
        Ok(Kept::Known) => StatusCode::OK.into_response(),
        Ok(_) => StatusCode::CREATED.into_response(),
        Err(Refused::Because(why)) => told(StatusCode::UNPROCESSABLE_ENTITY, why.to_owned()),
        Err(Refused::Store(error)) => {
            error!(error = ?error, "a picture could not be kept");
            let why = format!("{error}; send it again in a minute");
            told(StatusCode::SERVICE_UNAVAILABLE, why)
        }
    }
}

fn told(status: StatusCode, why: String) -> Response {
    Problem::new(status, "/problems/picture", "That picture is not kept", why).into_response()
}

/// Why a picture is not kept.
enum Refused {
    Because(&'static str),
    Store(StoreError),
}

/// Makes a picture small and keeps it.
async fn take(
    site: &Site,
    who: Option<Extension<Who>>,
    code: &str,
    key: String,
    bytes: Vec<u8>,
) -> Result<Kept, Refused> {
    if bytes.is_empty() {
        return Err(Refused::Because("choose a picture first"));
    }
    // One at a time: reading one takes more memory than everything else together.
    let turn = site.looking.clone().acquire_owned().await;
    let made = tokio::task::spawn_blocking(move || (small(&bytes), turn)).await;
    let jpeg = match made {
        Ok((Ok(jpeg), _)) => jpeg,
        Ok((Err(ImageError::Limits(_)), _)) => {
            return Err(Refused::Because(
                "this picture has too many pixels; let the phone make it smaller",
            ));
        }
        Ok((Err(_), _)) => {
            return Err(Refused::Because(
                "this is no JPEG or PNG picture that can be read",
            ));
        }
        Err(_) => return Err(Refused::Because("this picture could not be read")),
    };
    let stock = site.store.stock().await.map_err(Refused::Store)?;
    let found = code.parse().ok().and_then(|code| stock.find(&code));
    let Some((krate, _)) = found else {
        return Err(Refused::Because("there is no such crate"));
    };
    let photo = Photo {
        key,
        krate,
        at: site.clock.now(),
        who: acts::person(who),
        jpeg,
    };
    match site.store.keep_photo(&photo).await {
        Ok(Kept::Full) => Err(Refused::Because(
            "so many pictures are kept already that no more are taken",
        )),
        Ok(Kept::Other) => Err(Refused::Because(
            "this page has kept another picture already; load the page again and choose it once more",
        )),
        Ok(kept) => Ok(kept),
        Err(error) => Err(Refused::Store(error)),
    }
}

async fn read(mut form: Multipart) -> Result<(Fields, Vec<u8>), MultipartError> {
    let (mut fields, mut bytes) = (Vec::new(), Vec::new());
    while let Some(mut field) = form.next_field().await? {
        match field.name() {
            Some("photo") => {
                while let Some(chunk) = field.chunk().await? {
                    // What is too much is heard out, so that the answer reaches whoever sends it.
                    if bytes.len() <= BYTES {
                        bytes.extend_from_slice(&chunk);
                    }
                }
            }
            Some(name @ ("crate" | "key")) => {
                let name = name.to_owned();
                fields.push((name, field.text().await?));
            }
            _ => {}
        }
    }
    Ok((fields.into_iter().collect(), bytes))
}

/// The picture as it is kept: upright, at most so large, and nothing but its pixels.
fn small(bytes: &[u8]) -> image::ImageResult<Vec<u8>> {
    let mut limits = Limits::default();
    (limits.max_image_width, limits.max_image_height) = (Some(READ.0), Some(READ.0));
    limits.max_alloc = Some(READ.1);
    let mut reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format()?;
    reader.limits(limits);
    let mut decoder = reader.into_decoder()?;
    // The decoder bounds what it takes for itself, not the pixels it hands out.
    if READ.1 < decoder.total_bytes() {
        let kind = LimitErrorKind::InsufficientMemory;
        return Err(ImageError::Limits(LimitError::from_kind(kind)));
    }
    let upright = decoder.orientation()?;
    let mut picture = DynamicImage::from_decoder(decoder)?;
    if SIDE < picture.width().max(picture.height()) {
        picture = picture.resize(SIDE, SIDE, FilterType::Triangle);
    }
    picture.apply_orientation(upright);
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&picture.to_rgb8())?;
    Ok(jpeg)
}

/// `GET /crate/photo/{id}`.
pub(super) async fn show(
    State(site): State<Site>,
    id: Result<Path<i64>, PathRejection>,
) -> Result<Response, Failed> {
    let id = id.map_or(0, |Path(id)| id);
    let Some(jpeg) = site.store.photo(id).await.map_err(Failed::store(&site))? else {
        return Err(acts::refuse(
            &site,
            StatusCode::NOT_FOUND,
            "there is no such picture",
        ));
    };
    let mut response = jpeg.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("image/jpeg"));
    headers.insert(
        header::CACHE_CONTROL,
        HeaderValue::from_static("private, max-age=31536000, immutable"),
    );
    Ok(response)
}
