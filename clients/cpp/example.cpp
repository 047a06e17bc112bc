// The fluxfix service from C++: lists the rigs, solves one reading, then many at once.
//
//   example ADDRESS RIG X Y Z ...     a reading in mT, as many values as the rig has columns
//
// FLUXFIX_TOKEN, where set, is sent as bearer token; FLUXFIX_CA names the PEM file of who vouches for the server, and
// makes the connection encrypted.
//
// The result is not certified for safety functions. On any status but 0, and whenever a call fails or is late, go to the
// safe state.

#include <grpcpp/grpcpp.h>

#include <chrono>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <iostream>
#include <memory>
#include <sstream>
#include <string>
#include <vector>

#include "fluxfix/v1/rig_service.grpc.pb.h"
#include "fluxfix/v1/solve_service.grpc.pb.h"

namespace v1 = fluxfix::v1;

namespace {

constexpr auto kTimeAllowed = std::chrono::seconds(10);
constexpr int kBatch = 1000;

static_assert(sizeof(double) == 8, "the wire's columns are IEEE 754 binary64");

// A client's context for one call: it carries the deadline, without which a call could wait for ever.
void Prepare(grpc::ClientContext* context) {
  context->set_deadline(std::chrono::system_clock::now() + kTimeAllowed);
  if (const char* token = std::getenv("FLUXFIX_TOKEN")) {
    context->AddMetadata("authorization", std::string("Bearer ") + token);
  }
}

std::shared_ptr<grpc::Channel> Connect(const std::string& address) {
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_ENABLE_HTTP_PROXY, 0);  // a proxy for web pages does not know the way to a rig's network
  const char* path = std::getenv("FLUXFIX_CA");
  if (path == nullptr) {
    return grpc::CreateCustomChannel(address, grpc::InsecureChannelCredentials(), arguments);
  }
  std::ifstream file(path);
  std::stringstream text;
  text << file.rdbuf();
  grpc::SslCredentialsOptions options;
  options.pem_root_certs = text.str();
  return grpc::CreateCustomChannel(address, grpc::SslCredentials(options), arguments);
}

// Says what went wrong in the service's own sentence, and ends the program.
void Check(const grpc::Status& status, const char* call) {
  if (!status.ok()) {
    std::cerr << call << ": code " << status.error_code() << ": " << status.error_message() << "\n";
    std::exit(1);
  }
}

// Columns travel as little-endian bytes; a machine of the other order turns each value round.
bool LittleEndian() {
  const std::uint16_t one = 1;
  unsigned char first = 0;
  std::memcpy(&first, &one, 1);
  return first == 1;
}

std::string Packed(const std::vector<double>& values) {
  std::string bytes(values.size() * sizeof(double), '\0');
  std::memcpy(&bytes[0], values.data(), bytes.size());
  if (!LittleEndian()) {
    for (std::size_t k = 0; k < bytes.size(); k += sizeof(double)) {
      std::string turned(bytes.rbegin() + (bytes.size() - k - sizeof(double)), bytes.rbegin() + (bytes.size() - k));
      bytes.replace(k, sizeof(double), turned);
    }
  }
  return bytes;
}

double ValueAt(const std::string& bytes, std::size_t index) {
  char value[sizeof(double)];
  for (std::size_t k = 0; k < sizeof(double); ++k) {
    value[k] = bytes[index * sizeof(double) + (LittleEndian() ? k : sizeof(double) - 1 - k)];
  }
  double result = 0;
  std::memcpy(&result, value, sizeof(double));
  return result;
}

void ListRigs(const std::shared_ptr<grpc::Channel>& channel) {
  auto stub = v1::RigService::NewStub(channel);
  v1::ListRigsRequest request;
  v1::ListRigsResponse page;
  do {
    grpc::ClientContext context;
    Prepare(&context);
    request.set_page_token(page.next_page_token());
    Check(stub->ListRigs(&context, request, &page), "ListRigs");
    for (const auto& rig : page.rigs()) {
      std::printf("rig %s:", rig.name().c_str());
      for (const auto& joint : rig.joints()) {
        std::printf(" %s %.17g to %.17g %s", joint.name().c_str(), joint.low(), joint.high(), joint.unit().c_str());
      }
      std::printf("\n");
    }
  } while (!page.next_page_token().empty());
}

void SolveOne(v1::SolveService::Stub* stub, const std::string& rig, const std::vector<double>& reading) {
  grpc::ClientContext context;
  Prepare(&context);
  v1::SolveReadingRequest request;
  v1::SolveReadingResponse response;
  request.set_name(rig);
  request.mutable_flux_density_millitesla()->Add(reading.begin(), reading.end());
  Check(stub->SolveReading(&context, request, &response), "SolveReading");
  const auto& fix = response.fix();
  std::printf("one: status %d, misfit %.17g, position", fix.status(), fix.misfit());
  for (double position : fix.position()) {
    std::printf(" %.17g", position);
  }
  std::printf("\n");
}

// Sends the reading many times over, as a real program would send many different ones: the rows one after the other.
void SolveMany(v1::SolveService::Stub* stub, const std::string& rig, const std::vector<double>& reading) {
  std::vector<double> rows;
  for (int k = 0; k < kBatch; ++k) {
    rows.insert(rows.end(), reading.begin(), reading.end());
  }
  grpc::ClientContext context;
  Prepare(&context);
  v1::SolveReadingsRequest request;
  v1::SolveReadingsResponse response;
  request.set_name(rig);
  request.set_count(kBatch);
  request.set_flux_density_millitesla(Packed(rows));
  Check(stub->SolveReadings(&context, request, &response), "SolveReadings");
  const auto& fixes = response.fixes();
  const std::size_t joints = static_cast<std::size_t>(fixes.joint_count());
  std::printf("many: %d fixes, last position", fixes.count());
  for (std::size_t k = 0; k < joints; ++k) {
    std::printf(" %.17g", ValueAt(fixes.position(), (static_cast<std::size_t>(fixes.count()) - 1) * joints + k));
  }
  std::printf("\n");
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 4) {
    std::cerr << "use: example ADDRESS RIG X Y Z ...\n";
    return 2;
  }
  const std::string rig = std::string("rigs/") + argv[2];
  std::vector<double> reading;
  for (int k = 3; k < argc; ++k) {
    reading.push_back(std::strtod(argv[k], nullptr));
  }
  const auto channel = Connect(argv[1]);
  ListRigs(channel);
  auto stub = v1::SolveService::NewStub(channel);
  SolveOne(stub.get(), rig, reading);
  SolveMany(stub.get(), rig, reading);
  return 0;
}
