#include "review/certificate.h"

#include <openssl/bio.h>
#include <openssl/ec.h>
#include <openssl/err.h>
#include <openssl/evp.h>
#include <openssl/pem.h>
#include <openssl/rand.h>
#include <openssl/x509.h>
#include <openssl/x509_vfy.h>
#include <openssl/x509v3.h>
#include <sys/stat.h>

#include <ctime>
#include <memory>
#include <stdexcept>

#include "core/clock.h"
#include "core/files.h"

namespace lapwright::review {
namespace {

namespace fs = std::filesystem;

constexpr long day = 86400;
constexpr long authority_days = 3650, leaf_days = 90, least_authority_days = 120, least_days = 14;

template <auto free>
struct Free {
  template <class T>
  void operator()(T* t) const {
    free(t);
  }
};
using Key = std::unique_ptr<EVP_PKEY, Free<EVP_PKEY_free>>;
using Cert = std::unique_ptr<X509, Free<X509_free>>;
using Bio = std::unique_ptr<BIO, Free<BIO_free_all>>;

/// OpenSSL fails here only when memory or random numbers do.
void must(bool held) {
  if (!held) throw std::runtime_error("OpenSSL: " + std::to_string(ERR_get_error()));
}

struct Pair {
  Cert cert;
  Key key;
  bool whole() const { return cert && key && X509_check_private_key(cert.get(), key.get()) == 1; }
};

std::string text_of(BIO* bio) {
  char* data = nullptr;
  const long n = BIO_get_mem_data(bio, &data);
  return std::string(data, static_cast<std::size_t>(n));
}

std::string pem(const Cert& cert) {
  const Bio bio(BIO_new(BIO_s_mem()));
  must(PEM_write_bio_X509(bio.get(), cert.get()) == 1);
  return text_of(bio.get());
}

std::string pem(const Key& key) {
  const Bio bio(BIO_new(BIO_s_mem()));
  must(PEM_write_bio_PrivateKey(bio.get(), key.get(), nullptr, nullptr, 0, nullptr, nullptr) == 1);
  return text_of(bio.get());
}

/// What is in the folder; empty parts where it is not there or is none.
Result<Pair> load(const fs::path& folder, const std::string& name) {
  Pair pair;
  const fs::path key_file = folder / (name + ".key");
  struct stat about {};
  if (::stat(key_file.c_str(), &about) != 0) return pair;
  if ((about.st_mode & 077) != 0)
    return fail(Fault::bad_data, key_file.string() +
                                     ": others may read this key; it is no secret any more: remove "
                                     "it, and a new one is made");
  const auto key = core::read_file(key_file, 1 << 16);
  const auto cert = core::read_file(folder / (name + ".crt"), 1 << 16);
  if (!key) return fail(key.error());
  if (!cert) return pair;
  const Bio k(BIO_new_mem_buf(key->data(), static_cast<int>(key->size()))),
      c(BIO_new_mem_buf(cert->data(), static_cast<int>(cert->size())));
  pair.key.reset(PEM_read_bio_PrivateKey(k.get(), nullptr, nullptr, nullptr));
  pair.cert.reset(PEM_read_bio_X509(c.get(), nullptr, nullptr, nullptr));
  ERR_clear_error();
  return pair;
}

Result<> keep(const Pair& pair, const fs::path& folder, const std::string& name) {
  if (auto r = core::write_private_file(folder / (name + ".key"), pem(pair.key)); !r) return r;
  return core::write_private_file(folder / (name + ".crt"), pem(pair.cert));
}

void extend(X509* cert, X509* issuer, int nid, const std::string& value) {
  X509V3_CTX context;
  X509V3_set_ctx(&context, issuer, cert, nullptr, nullptr, 0);
  X509_EXTENSION* one = X509V3_EXT_nconf_nid(nullptr, &context, nid, value.c_str());
  must(one != nullptr);
  const int added = X509_add_ext(cert, one, -1);
  X509_EXTENSION_free(one);
  must(added == 1);
}

Pair made(const std::string& common_name, long days, std::time_t now) {
  Pair pair;
  pair.key.reset(EVP_EC_gen("P-256"));
  pair.cert.reset(X509_new());
  must(pair.key && pair.cert);
  X509* x = pair.cert.get();
  unsigned char serial[16];
  must(RAND_bytes(serial, sizeof serial) == 1);
  serial[0] = static_cast<unsigned char>((serial[0] & 0x7f) | 0x40);  // positive, and of one length
  BIGNUM* number = BN_bin2bn(serial, sizeof serial, nullptr);
  must(number && BN_to_ASN1_INTEGER(number, X509_get_serialNumber(x)));
  BN_free(number);
  must(X509_set_version(x, X509_VERSION_3) == 1 && X509_set_pubkey(x, pair.key.get()) == 1);
  // A day back: a tablet's clock may be behind.
  must(X509_time_adj_ex(X509_getm_notBefore(x), -1, 0, &now) &&
       X509_time_adj_ex(X509_getm_notAfter(x), static_cast<int>(days), 0, &now));
  must(X509_NAME_add_entry_by_txt(X509_get_subject_name(x), "CN", MBSTRING_UTF8,
                                  reinterpret_cast<const unsigned char*>(common_name.c_str()), -1,
                                  -1, 0) == 1);
  return pair;
}

Pair new_authority(const std::string& address, const std::string& name, std::time_t now) {
  Pair ca = made("lapwright at " + (name.empty() ? address : name) + ", " +
                     core::rfc3339(std::chrono::system_clock::from_time_t(now)).substr(0, 10),
                 authority_days, now);
  X509* x = ca.cert.get();
  must(X509_set_issuer_name(x, X509_get_subject_name(x)) == 1);
  extend(x, x, NID_basic_constraints, "critical,CA:TRUE,pathlen:0");
  extend(x, x, NID_key_usage, "critical,keyCertSign");
  extend(x, x, NID_subject_key_identifier, "hash");
  // Whoever trusts it trusts it for little: RFC 1918, RFC 3927, RFC 4193, loopback, RFC 6762, and
  // the address it was made for.
  const bool six = address.find(':') != std::string::npos;
  extend(x, x, NID_name_constraints,
         "critical,permitted;DNS:local,permitted;IP:10.0.0.0/255.0.0.0,"
         "permitted;IP:172.16.0.0/255.240.0.0,permitted;IP:192.168.0.0/255.255.0.0,"
         "permitted;IP:169.254.0.0/255.255.0.0,permitted;IP:127.0.0.0/255.0.0.0,"
         "permitted;IP:fc00::/fe00::,permitted;IP:" +
             address + (six ? "/ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff" : "/255.255.255.255"));
  must(X509_sign(x, ca.key.get(), EVP_sha256()) > 0);
  return ca;
}

Pair new_leaf(const Pair& ca, const std::string& address, const std::string& name,
              std::time_t now) {
  Pair leaf = made("lapwright station", leaf_days, now);
  X509* x = leaf.cert.get();
  must(X509_set_issuer_name(x, X509_get_subject_name(ca.cert.get())) == 1);
  extend(x, ca.cert.get(), NID_basic_constraints, "critical,CA:FALSE");
  extend(x, ca.cert.get(), NID_key_usage, "critical,digitalSignature");
  extend(x, ca.cert.get(), NID_ext_key_usage, "serverAuth");
  extend(x, ca.cert.get(), NID_subject_key_identifier, "hash");
  extend(x, ca.cert.get(), NID_authority_key_identifier, "keyid:always");
  extend(x, ca.cert.get(), NID_subject_alt_name,
         "IP:" + address + (name.empty() ? "" : ",DNS:" + name));
  must(X509_sign(x, ca.key.get(), EVP_sha256()) > 0);
  return leaf;
}

bool lasts(const Cert& cert, std::time_t now, long days) {
  std::time_t then = now + days * day;
  return X509_cmp_time(X509_get0_notAfter(cert.get()), &then) > 0 &&
         X509_cmp_time(X509_get0_notBefore(cert.get()), &now) < 0;
}

/// As a tablet checks it.
bool holds(const Pair& leaf, const Pair& ca, const std::string& address, const std::string& name,
           std::time_t now) {
  if (X509_check_ip_asc(leaf.cert.get(), address.c_str(), 0) != 1) return false;
  if (!name.empty() && X509_check_host(leaf.cert.get(), name.c_str(), name.size(), 0, nullptr) != 1)
    return false;
  const std::unique_ptr<X509_STORE, Free<X509_STORE_free>> store(X509_STORE_new());
  const std::unique_ptr<X509_STORE_CTX, Free<X509_STORE_CTX_free>> check(X509_STORE_CTX_new());
  must(store && check && X509_STORE_add_cert(store.get(), ca.cert.get()) == 1 &&
       X509_STORE_CTX_init(check.get(), store.get(), leaf.cert.get(), nullptr) == 1);
  X509_STORE_CTX_set_purpose(check.get(), X509_PURPOSE_SSL_SERVER);
  X509_STORE_CTX_set_time(check.get(), 0, now);
  const bool good = X509_verify_cert(check.get()) == 1;
  ERR_clear_error();
  return good;
}

std::string fingerprint(const Cert& cert) {
  unsigned char digest[EVP_MAX_MD_SIZE];
  unsigned n = 0;
  must(X509_digest(cert.get(), EVP_sha256(), digest, &n) == 1);
  static constexpr char digits[] = "0123456789ABCDEF";
  std::string text;
  for (unsigned i = 0; i < n; ++i) {
    if (i) text += ':';
    (text += digits[digest[i] >> 4]) += digits[digest[i] & 15];
  }
  return text;
}

std::string der(const Cert& cert) {
  unsigned char* bytes = nullptr;
  const int n = i2d_X509(cert.get(), &bytes);
  must(n > 0);
  std::string text(reinterpret_cast<const char*>(bytes), static_cast<std::size_t>(n));
  OPENSSL_free(bytes);
  return text;
}

}  // namespace

Result<Certificate> station_certificate(const fs::path& folder, const std::string& address,
                                        const std::string& name, double at) {
  const std::time_t now = at > 0 ? static_cast<std::time_t>(at) : std::time(nullptr);
  auto ca = load(folder, "authority");
  if (!ca) return fail(ca.error());
  auto leaf = load(folder, "station");
  if (!leaf) return fail(leaf.error());
  Certificate out;
  try {
    const bool old = ca->whole() && lasts(ca->cert, now, least_authority_days);
    bool good = old && leaf->whole() && lasts(leaf->cert, now, least_days) &&
                holds(*leaf, *ca, address, name, now);
    if (!good && old) {
      *leaf = new_leaf(*ca, address, name, now);
      good = holds(*leaf, *ca, address, name, now);  // not where the authority may not sign for it
      if (good)
        if (auto r = keep(*leaf, folder, "station"); !r) return fail(r.error());
    }
    if (!good) {
      *ca = new_authority(address, name, now);
      *leaf = new_leaf(*ca, address, name, now);
      must(holds(*leaf, *ca, address, name, now));
      if (auto r = keep(*ca, folder, "authority"); !r) return fail(r.error());
      if (auto r = keep(*leaf, folder, "station"); !r) return fail(r.error());
      out.fresh_authority = true;
    }
    out.chain = pem(leaf->cert), out.key = pem(leaf->key), out.authority = der(ca->cert);
    out.fingerprint = fingerprint(leaf->cert), out.authority_fingerprint = fingerprint(ca->cert);
  } catch (const std::runtime_error& e) {
    return fail(Fault::internal, std::string("the station's certificate: ") + e.what());
  }
  return out;
}

}  // namespace lapwright::review
