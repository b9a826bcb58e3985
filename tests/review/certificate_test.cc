// The station's certificates, read with OpenSSL as a tablet reads them. X.509: RFC 5280.
#include "review/certificate.h"

#include <gtest/gtest.h>
#include <openssl/pem.h>
#include <openssl/x509v3.h>
#include <sys/stat.h>
#include <unistd.h>

#include <ctime>
#include <memory>

#include "core/files.h"
#include "review/listen.h"
#include "review/qr.h"

namespace lapwright::review {
namespace {

namespace fs = std::filesystem;
using Cert = std::unique_ptr<X509, decltype(&X509_free)>;

Cert read_pem(const std::string& pem) {
  BIO* bio = BIO_new_mem_buf(pem.data(), static_cast<int>(pem.size()));
  X509* cert = PEM_read_bio_X509(bio, nullptr, nullptr, nullptr);
  BIO_free(bio);
  return {cert, &X509_free};
}

Cert read_der(const std::string& der) {
  const auto* at = reinterpret_cast<const unsigned char*>(der.data());
  return {d2i_X509(nullptr, &at, static_cast<long>(der.size())), &X509_free};
}

class CertificateTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() /
              (std::string("certificate-test-") +
               ::testing::UnitTest::GetInstance()->current_test_info()->name() + "-" +
               std::to_string(::getpid()));
    fs::remove_all(folder_);
  }
  void TearDown() override { fs::remove_all(folder_); }
  Certificate made(const std::string& address = "192.168.1.20",
                   const std::string& name = "desk.local", double now = 0) {
    const auto c = station_certificate(folder_, address, name, now);
    EXPECT_TRUE(c) << c.error().text;
    return c ? *c : Certificate();
  }
  fs::path folder_;
};

TEST_F(CertificateTest, TheNamesAreInTheCertificateAndTheKeysAreSecret) {  // ASVS 12.3.4
  const Certificate c = made();
  const Cert leaf = read_pem(c.chain), ca = read_der(c.authority);
  ASSERT_TRUE(leaf && ca);
  EXPECT_EQ(X509_check_ip_asc(leaf.get(), "192.168.1.20", 0), 1);
  EXPECT_EQ(X509_check_host(leaf.get(), "desk.local", 0, 0, nullptr), 1);
  EXPECT_NE(X509_check_ip_asc(leaf.get(), "192.168.1.21", 0), 1);
  EXPECT_EQ(X509_check_ca(leaf.get()), 0);
  EXPECT_EQ(X509_check_ca(ca.get()), 1);
  EXPECT_EQ(X509_verify(leaf.get(), X509_get0_pubkey(ca.get())), 1);
  EXPECT_EQ(EVP_PKEY_get_bits(X509_get0_pubkey(leaf.get())), 256);
  EXPECT_TRUE(c.fresh_authority);
  for (const char* name : {"authority.key", "authority.crt", "station.key", "station.crt"}) {
    struct stat about {};
    ASSERT_EQ(::stat((folder_ / name).c_str(), &about), 0) << name;
    EXPECT_EQ(about.st_mode & 0777, 0600u) << name;
  }
  EXPECT_EQ(c.fingerprint.size(), 95u);
  EXPECT_NE(c.fingerprint, c.authority_fingerprint);
}

TEST_F(CertificateTest, ItIsKeptWhileItFits) {
  const Certificate first = made();
  const Certificate again = made();
  EXPECT_EQ(again.fingerprint, first.fingerprint);
  EXPECT_FALSE(again.fresh_authority);
}

TEST_F(CertificateTest, AnotherAddressOrNameIsAnotherCertificateOfTheSameAuthority) {
  const Certificate first = made();
  const Certificate moved = made("10.1.2.3");
  EXPECT_NE(moved.fingerprint, first.fingerprint);
  EXPECT_EQ(moved.authority_fingerprint, first.authority_fingerprint);
  EXPECT_EQ(X509_check_ip_asc(read_pem(moved.chain).get(), "10.1.2.3", 0), 1);
  const Certificate renamed = made("10.1.2.3", "table.local");
  EXPECT_NE(renamed.fingerprint, moved.fingerprint);
  EXPECT_EQ(renamed.authority_fingerprint, first.authority_fingerprint);
  const Certificate six = made("fd00::7", "");
  EXPECT_EQ(six.authority_fingerprint, first.authority_fingerprint);
  EXPECT_EQ(X509_check_ip_asc(read_pem(six.chain).get(), "fd00::7", 0), 1);
}

TEST_F(CertificateTest, TheAuthorityIsGoodForPrivateAddressesOnly) {  // RFC 5280, 4.2.1.10
  const Certificate first = made();
  // 192.0.2.7 is not private: an authority that may sign for it is another one.
  const Certificate outside = made("192.0.2.7");
  EXPECT_NE(outside.authority_fingerprint, first.authority_fingerprint);
  EXPECT_TRUE(outside.fresh_authority);
  EXPECT_EQ(made("192.0.2.7").fingerprint, outside.fingerprint);
  EXPECT_EQ(made("172.16.9.9").authority_fingerprint, outside.authority_fingerprint);
}

TEST_F(CertificateTest, ItIsRenewedBeforeItEnds) {
  const double now = static_cast<double>(std::time(nullptr)), day = 86400;
  const Certificate first = made();
  EXPECT_EQ(made("192.168.1.20", "desk.local", now + 70 * day).fingerprint, first.fingerprint);
  const Certificate later = made("192.168.1.20", "desk.local", now + 77 * day);
  EXPECT_NE(later.fingerprint, first.fingerprint);
  EXPECT_EQ(later.authority_fingerprint, first.authority_fingerprint);
  const Certificate old = made("192.168.1.20", "desk.local", now + 3600 * day);
  EXPECT_NE(old.authority_fingerprint, first.authority_fingerprint);
  EXPECT_TRUE(old.fresh_authority);
}

TEST_F(CertificateTest, WhatIsDamagedIsMadeAnewAndWhatOthersReadIsRefused) {
  const Certificate first = made();
  ASSERT_TRUE(core::write_private_file(folder_ / "station.crt", "no certificate"));
  const Certificate again = made();
  EXPECT_NE(again.fingerprint, first.fingerprint);
  EXPECT_EQ(again.authority_fingerprint, first.authority_fingerprint);
  ASSERT_EQ(::chmod((folder_ / "authority.key").c_str(), 0644), 0);
  const auto open = station_certificate(folder_, "192.168.1.20", "desk.local");
  ASSERT_FALSE(open);
  EXPECT_EQ(open.error().fault, Fault::bad_data);
  EXPECT_NE(open.error().text.find("authority.key"), std::string::npos);
}

TEST(QrTest, BothFormsHaveTheSameModules) {
  const std::string text = "https://192.0.2.7:5280/#/pair/ABCD-EFGH";
  const std::string svg = qr_svg(text), blocks = qr_blocks(text, false);
  EXPECT_TRUE(svg.starts_with("<svg xmlns="));
  // 39 bytes with error correction M are version 3: 29 modules and four on each side (ISO 18004).
  EXPECT_NE(svg.find("viewBox=\"0 0 37 37\""), std::string::npos) << svg.substr(0, 80);
  EXPECT_EQ(std::count(blocks.begin(), blocks.end(), '\n'), 19);
  EXPECT_NE(qr_blocks(text, true).find("\033[30;107m"), std::string::npos);
}

TEST(Listen, TheOperatorsPageIsOnLoopbackOnly) {  // 13.1.1
  for (const auto& [text, address, port] : {std::tuple{"127.0.0.1:5279", "127.0.0.1", 5279},
                                            {"localhost:0", "127.0.0.1", 0},
                                            {"[::1]:80", "::1", 80}}) {
    const auto l = read_listen(text);
    ASSERT_TRUE(l) << text;
    EXPECT_EQ(l->address, address);
    EXPECT_EQ(l->port, port);
  }
  for (const char* text :
       {"0.0.0.0:80", "192.0.2.7:5279", "[::]:80", "example.org:80", "127.0.0.2:80"}) {
    const auto l = read_listen(text);
    ASSERT_FALSE(l) << text;
    EXPECT_EQ(exit_code(l.error().fault), 64);
    EXPECT_NE(l.error().text.find("--tablets"), std::string::npos);
  }
  for (const char* text : {"", "5279", ":5279", "127.0.0.1", "127.0.0.1:", "127.0.0.1:x",
                           "127.0.0.1:65536", "127.0.0.1:-1", "[]:1"}) {
    const auto l = read_listen(text);
    ASSERT_FALSE(l) << text;
    EXPECT_EQ(exit_code(l.error().fault), 64);
  }
}

TEST(Listen, TabletsComeInByOneAddressOfThisMachine) {  // 13.1.1
  const auto plain = read_tablets("127.0.0.2");
  ASSERT_TRUE(plain) << plain.error().text;
  EXPECT_EQ(plain->address, "127.0.0.2");
  EXPECT_EQ(plain->port, 5280);
  const auto port = read_tablets("127.0.0.2:0");
  ASSERT_TRUE(port);
  EXPECT_EQ(port->port, 0);
  for (const char* text :
       {"0.0.0.0", "0.0.0.0:5280", "::", "[::]:5280", "203.0.113.9", "[2001:db8::9]:5280",
        "2001:db8::9", "fe80::1", "example.org", "localhost", "", ":5280", "[", "[::1", "[::1]x",
        "127.0.0.2:", "127.0.0.2:x", "127.0.0.2:65536", "127.0.0.2 ", "eth0"}) {
    const auto l = read_tablets(text);
    ASSERT_FALSE(l) << text;
    EXPECT_EQ(l.error().fault, Fault::usage);
    EXPECT_EQ(l.error().text.find('\n'), std::string::npos);
    EXPECT_TRUE(l.error().text.starts_with("--tablets "));
  }
  EXPECT_EQ(in_url("fd00::7"), "[fd00::7]");
}

}  // namespace
}  // namespace lapwright::review
