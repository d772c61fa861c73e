//! Certificates: whom we trust, and who we are. There is no way from here to an unencrypted connection.
//!
//! Files are read anew for every connection, so a renewed certificate is taken up without a restart.

use std::path::Path;
use std::sync::Arc;

use tokio_rustls::rustls::client::WebPkiServerVerifier;
use tokio_rustls::rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use tokio_rustls::rustls::crypto::{CryptoProvider, ring};
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use tokio_rustls::rustls::{self, ClientConfig, DigitallySignedStruct, RootCertStore, SignatureScheme};

use idlegate_plan::Tls;

/// Certificates that cannot be used.
#[derive(Debug, thiserror::Error)]
pub(super) enum BadTls {
    #[error("{file}: {why}")]
    File { file: String, why: String },
    #[error("\"{0}\" is not a name that a certificate can bear")]
    ServerName(String),
    #[error("{0}")]
    Refused(String),
}

pub(super) fn client_config(tls: &Tls) -> Result<Arc<ClientConfig>, BadTls> {
    let provider = Arc::new(ring::default_provider());
    let mut roots = RootCertStore::empty();
    for certificate in certificates(&tls.ca_file)? {
        roots.add(certificate).map_err(|err| bad_file(&tls.ca_file, err))?;
    }
    let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), Arc::clone(&provider))
        .build()
        .map_err(|err| bad_file(&tls.ca_file, err))?;
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|err| BadTls::Refused(err.to_string()))?;
    let builder = match &tls.server_name {
        None => builder.with_webpki_verifier(verifier),
        Some(name) => {
            let name = ServerName::try_from(name.clone()).map_err(|_| BadTls::ServerName(name.clone()))?;
            builder.dangerous().with_custom_certificate_verifier(Arc::new(UnderName { name, verifier }))
        }
    };
    let mut config = match &tls.client {
        None => builder.with_no_client_auth(),
        Some(client) => {
            let chain = certificates(&client.certificate_file)?;
            let key = PrivateKeyDer::from_pem_file(&client.key_file)
                .map_err(|err| bad_file(&client.key_file, err))?;
            builder
                .with_client_auth_cert(chain, key)
                .map_err(|err| bad_file(&client.certificate_file, err))?
        }
    };
    // The client library would tell the broker the host's name, which is not the one we expect of it.
    config.enable_sni = tls.server_name.is_none();
    Ok(Arc::new(config))
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, BadTls> {
    let all: Result<Vec<_>, _> =
        CertificateDer::pem_file_iter(file).map_err(|err| bad_file(file, err))?.collect();
    match all {
        Ok(all) if all.is_empty() => Err(bad_file(file, "there is no certificate in it")),
        Ok(all) => Ok(all),
        Err(err) => Err(bad_file(file, err)),
    }
}

fn bad_file(file: &Path, why: impl ToString) -> BadTls {
    BadTls::File { file: file.display().to_string(), why: why.to_string() }
}

/// Checks everything that is usually checked, but against a name from the rules instead of the host's: the
/// client library has no setting for that.
#[derive(Debug)]
struct UnderName {
    name: ServerName<'static>,
    verifier: Arc<WebPkiServerVerifier>,
}

impl ServerCertVerifier for UnderName {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        _host: &ServerName<'_>,
        ocsp_response: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        self.verifier.verify_server_cert(certificate, intermediates, &self.name, ocsp_response, now)
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.verifier.verify_tls12_signature(message, certificate, signature)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.verifier.verify_tls13_signature(message, certificate, signature)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.verifier.supported_verify_schemes()
    }
}

/// The client library asks for the process's provider in places of its own.
pub(super) fn install_provider() {
    // An error says that one is installed already, which is as good.
    let _ = CryptoProvider::install_default(ring::default_provider());
}
